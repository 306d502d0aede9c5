"""The shipped knowledge holds together, and broken files are refused by their words."""

import re
import shutil
from pathlib import Path
from typing import Any

import pytest

import audiodiag.causes
from audiodiag.causes import load_knowledge
from audiodiag.causes.schema import ANSWER_KEYS, SCHEMA, schema_text
from audiodiag.errors import KnowledgeError
from audiodiag.records import SYMPTOMS

DATA = Path(audiodiag.causes.__file__).parent / "data"
KNOWLEDGE = load_knowledge()
NEEDED_CAUSES = {
    "low_or_foaming_fluid",
    "blocked_reservoir_filter",
    "collapsed_suction_hose",
    "tired_fluid_or_wrong_fluid",
    "air_in_the_rack",
    "restricted_return_or_cooler",
    "worn_pump",
    "pump_bearing",
    "slipping_belt",
    "misaligned_or_worn_belt",
    "relief_valve_at_stop",
    "other_belt_driven_part",
    "nothing_wrong",
}


def test_the_shipped_files_hold_the_causes_and_symptoms() -> None:
    assert {symptom.name for symptom in KNOWLEDGE.symptoms} == set(SYMPTOMS)
    assert {cause.name for cause in KNOWLEDGE.causes} >= NEEDED_CAUSES
    assert KNOWLEDGE.nothing.name == "nothing_wrong"
    normal = {cause.name for cause in KNOWLEDGE.causes if cause.kind == "normal"}
    assert normal == {"relief_valve_at_stop", "cold_thick_fluid"}
    assert load_knowledge() is KNOWLEDGE


def test_every_piece_is_used_by_another() -> None:
    linked = {link.observation for link in KNOWLEDGE.links} | {link.symptom for link in KNOWLEDGE.links}
    for observation in KNOWLEDGE.observations:
        assert observation.name in linked, observation.name
    for symptom in KNOWLEDGE.symptoms:
        assert symptom.name in linked
    named = {code for check in KNOWLEDGE.checks for code in check.cautions}
    for caution in KNOWLEDGE.cautions:
        assert caution.always or caution.symptoms or caution.observations or caution.code in named, (
            caution.code
        )


def test_every_fault_can_be_found_by_a_check_that_opens_nothing_or_by_work() -> None:
    settled = {name for check in KNOWLEDGE.checks for name in check.settles}
    for cause in KNOWLEDGE.at_work:
        best = max(
            (
                link.strength
                for link in KNOWLEDGE.links
                if link.cause == cause.name and link.observation in settled
            ),
            default=0.0,
        )
        assert best >= 0.6, cause.name


def test_sentences_read_as_sentences_and_every_record_has_a_source() -> None:
    for caution in KNOWLEDGE.cautions:
        assert caution.text.endswith(".")
        assert caution.short.endswith(".") and len(caution.short) < len(caution.text)
    for observation in KNOWLEDGE.observations:
        assert observation.question.endswith("?")
    for link in KNOWLEDGE.links:
        assert not link.why.endswith(".") and link.why[0].islower(), link.why
    for symptom in KNOWLEDGE.symptoms:
        assert symptom.cannot_tell.endswith(".")
    everything: tuple[Any, ...] = (
        *KNOWLEDGE.symptoms,
        *KNOWLEDGE.causes,
        *KNOWLEDGE.observations,
        *KNOWLEDGE.links,
        *KNOWLEDGE.checks,
        *KNOWLEDGE.cautions,
    )
    assert all(record.source for record in everything)


def test_the_schema_is_documented_beside_the_files() -> None:
    text = (DATA / "README.md").read_text(encoding="utf-8")
    assert text.endswith(schema_text() + "\n")
    for file, (_, keys) in SCHEMA.items():
        assert (DATA / file).is_file()
        for key in (*keys, *ANSWER_KEYS):
            assert f"`{key.name}`" in text


def broken(tmp_path: Path, file: str, old: str, new: str) -> str:
    """Copy the files, replace the first match in one of them, and return the refusal."""
    folder = tmp_path / "data"
    shutil.copytree(DATA, folder)
    text = (folder / file).read_text(encoding="utf-8")
    changed, count = re.subn(old, new, text, count=1, flags=re.MULTILINE)
    assert count == 1, f"{old} not in {file}"
    (folder / file).write_text(changed, encoding="utf-8")
    with pytest.raises(KnowledgeError) as caught:
        load_knowledge(folder)
    return str(caught.value)


@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        (
            "causes.toml",
            r"^odds = 0\.15$",
            "odds = -1",
            ["causes.toml: [[cause]] number 1 (low_or_foaming_fluid)"],
        ),
        (
            "causes.toml",
            r"^odds = 0\.15$",
            "odds = -1",
            ["key odds cannot be used", "got -1", "from 0.001 to 5"],
        ),
        ("causes.toml", r"^odds = 0\.15$", "odds = nan", ["got nan"]),
        ("causes.toml", r"^odds = 0\.15$", 'odds = "much"', ["got much", "a number from"]),
        ("causes.toml", r"^odds = 0\.15$", "odd = 0.3", ["key odd is not known", "did you mean odds?"]),
        ("causes.toml", r"^odds = 0\.15\n", "", ["low_or_foaming_fluid: odds do not fit", "left out"]),
        ("causes.toml", r'kind = "none"', 'kind = "fault"\nodds = 1', ["exactly one cause of kind none"]),
        ("causes.toml", r'kind = "fault"', 'kind = "guess"', ["got guess", "one of fault, normal, none"]),
        ("causes.toml", r'title = "Fluid low or foaming"\n', "", ["key title is missing", "add title"]),
        ("causes.toml", r'title = "Fluid low or foaming"', 'title = ""', ["key title cannot be used"]),
        ("causes.toml", r'name = "worn_pump"', 'name = "slipping_belt"', ["slipping_belt stands twice"]),
        ("causes.toml", r'name = "worn_pump"', 'name = "Worn Pump"', ["key name", "small letters"]),
        (
            "causes.toml",
            r'name = "worn_pump"',
            'name = "old_pump"',
            ["links.toml", "got worn_pump", "old_pump"],
        ),
        ("causes.toml", r"^source = .*$", "", ["has no source", "state where it comes from"]),
        ("causes.toml", r"^\[\[cause\]\]$", "[[causes]]", ["key causes is not known", "did you mean cause?"]),
        ("causes.toml", r"^\[\[cause\]\]$", "[[cause]", ["causes.toml: is not TOML", "line"]),
        ("symptoms.toml", r'name = "pump_whine"', 'name = "pump_wine"', ["six symptoms", "pump_wine"]),
        ("symptoms.toml", r"leak = 0\.05", "leak = 0", ["key leak cannot be used", "got 0"]),
        ("links.toml", r'symptom = "pump_whine"', 'symptom = "wine"', ["symptom names what is not there"]),
        ("links.toml", r'answer = "low"', 'answer = "empty"', ["answer names what is not there", "too_high"]),
        ("links.toml", r'answer = "low"\n', "", ["names no single thing", "an observation with its answer"]),
        ("links.toml", r'symptom = "pump_whine"\n', "", ["names no single thing", "got nothing"]),
        (
            "links.toml",
            r"strength = 0\.55",
            "strength = 1.0",
            ["[[link]] number 1", "got 1.0", "0.01 to 0.98"],
        ),
        ("links.toml", r'symptom = "pump_whine"', 'symptom = "cavitation_groan"', ["stands twice"]),
        ("observations.toml", r'normal = "right"', 'normal = "fine"', ["fluid_level: normal names what"]),
        ("observations.toml", r", leak = 0\.03", "", ["fluid_level, answer low: leak does not fit"]),
        ("observations.toml", r'name = "low"', 'name = "not_looked"', ["answers that cannot be used"]),
        ("observations.toml", r"leak = 0\.03", "leek = 0.06", ["answer 2: key leek", "did you mean leak?"]),
        (
            "checks.toml",
            r'"fluid_bubbles"',
            '"bubbles"',
            ["look_at_fluid: settles names what", "got bubbles"],
        ),
        ("checks.toml", r"settles = \[.*\]", "settles = []", ["settles nothing"]),
        (
            "prices.toml",
            r"bleed = \[5, 15\]",
            "bleed = [25, 15]",
            ["the least is above the most", "25 and 15"],
        ),
        ("prices.toml", r"bleed = \[5, 15\]", "bleed = 5", ["[check] bleed is no band", "[least, most]"]),
        ("prices.toml", r"bleed = .*\n", "", ["no price for bleed", "add bleed = [least, most]"]),
        ("prices.toml", r"bleed = ", "bled = ", ["bled is not known", "did you mean bleed?"]),
        ("prices.toml", r"^currency = .*$", "", ["does not state its currency"]),
        ("prices.toml", r"^work = .*$", "", ["leaves something out", "add work"]),
        (
            "remedies.toml",
            r'cures = \["air_in_the_rack"\]',
            'cures = ["air"]',
            ["cures names what is not there"],
        ),
        ("remedies.toml", r'"renew_pump"', '"leave_it"', ["renew_pump is not known", "got renew_pump"]),
        ("priors.toml", r"\[0, 0.3\], \[6, 0.6\]", "[6, 0.3], [0, 0.6]", ["age_years", "values rising"]),
        ("priors.toml", r'part = "fluid"', 'prt = "fluid"', ["renewed cannot be used", "a list of tables"]),
        ("sheets/belt.toml", r"^steps = \[$", "step = [", ["key step is not known", "did you mean steps?"]),
        ("sheets/belt.toml", r'^name = "belt"$', 'name = "belts"', ["name is not that of the file"]),
        ("checks.toml", r'rank = "look"', 'rank = "smell"', ["one of look, touch, work, workshop"]),
        ("checks.toml", r'cautions = \["hot_fluid"\]', 'cautions = ["hot"]', ["cautions names what is not"]),
        ("cautions.toml", r"always = true", 'always = "yes"', ["key always", "true or false"]),
        ("cautions.toml", r'"fresh_leak=seen"', '"fresh_leak=no"', ["do_not_drive: observations names"]),
        ("cautions.toml", r'"belt_squeal"', '"squeal"', ["do_not_drive: symptoms names what is not there"]),
    ],
)
def test_broken_files_are_refused_by_their_words(
    tmp_path: Path, file: str, old: str, new: str, words: list[str]
) -> None:
    said = broken(tmp_path, file, old, new)
    for word in words:
        assert word in said, said


def test_a_cause_without_links_a_missing_file_and_an_empty_file_are_refused(tmp_path: Path) -> None:
    extra = '[[cause]]\nname = "ghost"\ntitle = "g"\nkind = "fault"\nodds = 0.1\nrepair = "r"\n\n[[cause]]'
    said = broken(tmp_path / "a", "causes.toml", r"^\[\[cause\]\]", extra)
    assert "cause ghost: is cured by nothing" in said
    cured = re.sub(
        r'cures = \["worn_pump", ', 'cures = ["worn_pump", "ghost", ', (DATA / "remedies.toml").read_text()
    )
    ghost = tmp_path / "a" / "data"
    (ghost / "remedies.toml").write_text(cured, encoding="utf-8")
    with pytest.raises(KnowledgeError, match="cause ghost: has no link"):
        load_knowledge(ghost)
    folder = tmp_path / "b"
    shutil.copytree(DATA, folder)
    (folder / "checks.toml").write_text("", encoding="utf-8")
    with pytest.raises(KnowledgeError, match=r"checks\.toml: has no \[\[check\]\]"):
        load_knowledge(folder)
    (folder / "checks.toml").unlink()
    with pytest.raises(KnowledgeError, match=r"checks\.toml: cannot be read .got No such file"):
        load_knowledge(folder)
