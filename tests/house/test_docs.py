"""README.md and DEVELOPERS.md say what is there."""

from __future__ import annotations

import re

import pytest

from audiodiag.commands import COMMANDS, module_of
from audiodiag.options import ANALYSE_OPTIONS, TRAIN_OPTIONS, options_table
from tests.house.house import PACKAGE, ROOT, module_name, modules
from tests.house.test_layers import LEVELS

README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
RUN = re.compile(
    r"^python3 -m venv \.venv && \.venv/bin/pip install \. && "
    r"\.venv/bin/audiodiag analyse (recordings_demo/\S+\.m4a)$",
    re.MULTILINE,
)
TEST = "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/python -m pytest"


def test_readme_opens_with_one_paragraph_that_states_the_job():
    title, paragraph, after = README.split("\n\n")[:3]
    assert title == "# audiodiag"
    assert not paragraph.startswith(("#", "-", "|", "`"))
    assert "power steering" in paragraph
    assert len(paragraph.split()) > 40
    assert after.startswith("#")


def test_readme_has_the_two_commands():
    found = RUN.search(README)
    assert found
    assert (ROOT / found[1]).is_file(), "the clip of the first command is not there"
    assert TEST in README.splitlines()


ALL_OPTIONS = ANALYSE_OPTIONS + TRAIN_OPTIONS
for command in COMMANDS:
    ALL_OPTIONS += module_of(command.name).OPTIONS


@pytest.mark.parametrize("option", ALL_OPTIONS, ids=lambda option: option.flag)
def test_every_option_is_documented_with_default_and_help(option):
    row = options_table((option,)).splitlines()[-1]
    assert row in README.splitlines()


def test_exit_codes_and_cautions_are_documented():
    for code in ("`0`", "`1`", "`2`", "`3`", "`130`"):
        assert code in README
    for word in ("belts, fan and pulleys", "outdoors", "five seconds", "licensed technician", "local rules"):
        assert word in README


def test_training_on_simulated_clips_is_owned_up_to():
    assert "simulated" in README


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_files_that_are_linked_exist(text):
    links = [link for link in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in link]
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_developers_know_every_room_and_its_level():
    rooms = {path.relative_to(PACKAGE).parts[0].removesuffix(".py") for path in modules()} - {"__init__"}
    rows = {
        match[1]: match[0] for match in re.findall(r"^\| ([\d.-]+) \| `(\w+)/?`", DEVELOPERS, re.MULTILINE)
    }
    assert {room: f"{LEVELS[room]:g}" for room in rooms} == {room: rows.get(room) for room in rooms}


def test_developers_name_every_module():
    missing = [
        module_name(path)
        for path in modules()
        if path.name != "__init__.py"
        and f"`{path.name}`" not in DEVELOPERS
        and f"`{path.stem}`" not in DEVELOPERS
    ]
    assert missing == []


ATTACKS = re.findall(
    r"^\| .+ \| `(tests/\S+\.py)` `(test_\w+)` \|$",
    DEVELOPERS.partition("<!-- attacks -->")[2].partition("<!-- end -->")[0],
    re.MULTILINE,
)


def test_table_of_attacks_is_long_and_whole():
    assert len(ATTACKS) == len(set(ATTACKS))
    assert len(ATTACKS) >= 40
    rows = DEVELOPERS.partition("<!-- attacks -->")[2].partition("<!-- end -->")[0].strip().splitlines()
    assert len(rows) == len(ATTACKS) + 2, "a row does not name its test as the others do"


@pytest.mark.parametrize(("place", "test"), ATTACKS)
def test_attack_has_its_test(place, test):
    assert re.search(rf"^def {test}\(", (ROOT / place).read_text(encoding="utf-8"), re.MULTILINE)
