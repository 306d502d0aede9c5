"""The dialogue and the entries, as a person or a script meets them at the command."""

import io
import json
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audiodiag.causes import NOT_LOOKED, Circumstances, SuctionLine, load_knowledge, suction_margin
from audiodiag.causes.advice import advice_in
from audiodiag.causes.case import case_of
from audiodiag.causes.entries import entry_text, list_text
from audiodiag.causes.inference import findings_of
from audiodiag.causes.network import answer_table
from audiodiag.causes.plan import plan_of, repair_cost, value_of
from audiodiag.causes.questions import next_questions
from audiodiag.causes.state import State
from audiodiag.cli import main
from audiodiag.records import SYMPTOMS

KNOWLEDGE = load_knowledge()


def groan(**saw: str) -> State:
    sounds = {name: 0.9 if name == "cavitation_groan" else 0.04 for name in SYMPTOMS}
    return State.of(sounds, knowledge=KNOWLEDGE, observations=saw)


def case_file(folder: Path, **more: Any) -> Path:
    file = folder / "case.json"
    sounds = [{"name": name, "probability": 0.9 if name == "cavitation_groan" else 0.04} for name in SYMPTOMS]
    plain = {
        "schema": "audiodiag/analysis/1",
        "clip": {"file": "simulated.m4a"},
        "symptoms": sounds,
        "verdict": {"kind": "symptoms", "text": "heard"},
        **more,
    }
    file.write_text(json.dumps(plain) + "\n", encoding="utf-8")
    return file


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = main(list(arguments))
    said = capsys.readouterr()
    return code, said.out, said.err


def test_a_dialogue_asks_takes_answers_and_shows_how_the_ranking_moves(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    first = next_questions(groan())[0].observation
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"nonsense\n{len(first.answers)}\n\nq\n"))
    code, out, err = run(capsys, "advise", str(case_file(tmp_path)))
    assert code == 0 and err == ""
    assert "heard: cavitation groan (90 %)" in out
    assert first.question.split(",")[0][:40] in " ".join(out.split())
    assert "answer with 0 to" in out
    assert "->" in out
    assert "Not looked: nothing moves." in out
    assert "When to stop looking" in out and "Take care" in out
    assert out.index(first.name) < out.index("When to stop looking")


def test_at_the_end_of_the_input_it_stops_cleanly(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    code, out, err = run(capsys, "advise", str(case_file(tmp_path)))
    assert code == 0 and err == "" and "Check next" in out


def test_causes_are_said_once_where_nothing_moves_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = str(case_file(tmp_path))
    _, out, _ = run(capsys, "advise", case, "--no-questions")
    assert out.count("Likely causes") == 1
    _, out, _ = run(capsys, "advise", case, "--no-questions", "--saw", "fluid_level=low")
    before, after = out.index("Likely causes so far\n"), out.index("Likely causes\n")
    assert before < out.index(" -> ") < after, "from what was heard alone, the move, and where it led"


def test_options_and_a_file_answer_and_options_win(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = tmp_path / "answers.toml"
    answers.write_text(
        '[saw]\nfluid_level = "right"\nsuction_hose = "soft_or_old"\n'
        '[car]\nage_years = 20\nrenewed = ["belt"]\n'
        "[suction]\nfluid_temperature_c = 50\n",
        encoding="utf-8",
    )
    code, out, _ = run(
        capsys, "advise", str(case_file(tmp_path)), "--answers", str(answers), "--saw", "fluid_level=low",
        "--json", "--fluid-temperature=-20", "--hose-bore", "12",
    )  # fmt: skip
    plain = json.loads(out)
    assert code == 0 and plain["schema"] == "audiodiag/advice/1"
    assert plain["saw"] == {"fluid_level": "low", "suction_hose": "soft_or_old"}
    assert [move["observation"] for move in plain["moves"]] == ["fluid_level", "suction_hose"]
    before, after = plain["moves"][0]["before"], plain["moves"][0]["after"]
    assert after["low_or_foaming_fluid"] > before["low_or_foaming_fluid"] + 0.2
    assert plain["suction"]["line"]["fluid_temperature_c"] == -20 and plain["suction"]["margin_bar"] < 0
    assert plain["causes"][0]["name"] == "low_or_foaming_fluid"  # leads, though a normal noise is likelier
    assert plain["causes"][1]["probability"] >= plain["causes"][2]["probability"]
    assert plain["next_checks"][0]["outcomes"] and plain["stop_rule"]["text"].endswith(").")
    assert plain["cautions"]


def test_the_margin_is_printed_and_moves_the_causes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def shares(*more: str) -> dict[str, float]:
        _, out, _ = run(capsys, "advise", str(case_file(tmp_path)), "--json", *more)
        return {cause["name"]: cause["probability"] for cause in json.loads(out)["causes"]}

    plain = shares()
    cold = shares("--fluid-temperature=-15", "--hose-bore", "12")
    warm = shares("--fluid-temperature", "60", "--hose-bore", "12")
    assert cold["cold_thick_fluid"] > 0.6 > plain["cold_thick_fluid"] > warm["cold_thick_fluid"]
    assert (
        warm["blocked_reservoir_filter"]
        > plain["blocked_reservoir_filter"]
        > cold["blocked_reservoir_filter"]
    )
    _, out, _ = run(capsys, "advise", "--no-questions", "--fluid-temperature", "60")
    assert "Margin at the pump's inlet" in out and "bar absolute at the pump" in " ".join(out.split())


def test_advice_in_a_currency_of_ones_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    prices = tmp_path / "own.toml"
    prices.write_text('currency = "SOL"\nrate = 10\n[check]\nbleed = [1, 2]\n', encoding="utf-8")
    _, out, _ = run(capsys, "explain", "bleed", "--prices", str(prices))
    assert "1 to 2 SOL" in out
    own = load_knowledge(prices=prices)
    assert own.check("measure_the_pump").cost_high == 1500
    assert own.prices.minute == 5.0
    prices.write_text('currency = "SOL"\n', encoding="utf-8")
    code, _, err = run(capsys, "explain", "bleed", "--prices", str(prices))
    assert code == 2 and "no rate" in err and "rate = units of SOL for one EUR" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            ["explain", "colapsed_suction_hose"],
            ["no such entry", "collapsed_suction_hose", "audiodiag explain"],
        ),
        (["advise", "nowhere_at_all"], ["the case cannot be read", "got nowhere_at_all"]),
        (["advise", "--saw", "fluid_level=empty", "--no-questions"], ["answer to fluid_level", "right, low"]),
        (["advise", "--renewed", "radio", "--no-questions"], ["part that was renewed", "got radio"]),
        (["advise", "--hose-bore", "12", "--no-questions"], ["needs the fluid's temperature"]),
        (["advise", "--age", "200"], ["--age cannot be used", "0 to 100 years"]),
        (["advise", "--answers", "nowhere.toml"], ["nowhere.toml", "cannot be read"]),
    ],
)
def test_what_cannot_be_used_is_refused(
    arguments: list[str], words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = run(capsys, *arguments)
    assert code == 2
    for word in words:
        assert word in err, err


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "no JSON"),
        ('{"schema": "other/1"}', "got other/1"),
        ('{"schema": "audiodiag/analysis/1"}', "symptoms or verdict are missing"),
        ('{"schema": "audiodiag/analysis/1"}\n{"schema": "audiodiag/analysis/1"}', "holds several cases"),
    ],
)
def test_files_that_are_no_case_are_refused(
    text: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "case.json"
    file.write_text(text, encoding="utf-8")
    code, _, err = run(capsys, "advise", str(file), "--no-questions")
    assert code == 2 and words in err


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ('[sax]\nx = "y"', ["section", "did you mean saw?"]),
        ("saw = 3", ["saw is no section"]),
        ('[saw]\nfluid_level = "lo"', ["did you mean low?"]),
        ("[car]\nage = 3", ["did you mean age_years?"]),
        ('[car]\nage_years = "old"', ["age_years is no number"]),
        ("[car]\nrenewed = 3", ["parts renewed cannot be read"]),
        ("[suction]\nfluid_temperature = 3", ["did you mean fluid_temperature_c?"]),
        ("[saw\n", ["is not TOML"]),
    ],
)
def test_files_of_answers_are_refused_in_words(
    content: str, words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "answers.toml"
    file.write_text(content, encoding="utf-8")
    code, _, err = run(capsys, "advise", "--answers", str(file), "--no-questions")
    assert code == 2
    for word in words:
        assert word in err, err


def test_every_entry_can_be_explained_and_is_listed() -> None:
    listed = list_text(KNOWLEDGE)
    for entries in (KNOWLEDGE.causes, KNOWLEDGE.sheets, KNOWLEDGE.checks, KNOWLEDGE.observations):
        for entry in entries:  # type: ignore[attr-defined]
            assert entry.name in listed
            text = entry_text(entry.name, KNOWLEDGE)
            assert "licensed technician" in " ".join(text.split())
            assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("sheet", [sheet.name for sheet in KNOWLEDGE.sheets])
def test_work_sheets_carry_cautions_defer_and_say_when_to_stop(sheet: str) -> None:
    text = " ".join(entry_text(sheet, KNOWLEDGE).split())
    assert text.index("Take care") < text.index("Steps")
    for words in ("General values only", "maker's instructions", "local rules", "Done when", "Stop if"):
        assert words in text


def test_the_bleeding_sheet_goes_by_short_runs_and_never_holds_a_stop() -> None:
    steps = " ".join(KNOWLEDGE.sheet("bleeding").steps)
    order = [
        "fill to the mark",
        "run a few seconds",
        "until the level stays steady",
        "lock to lock, five to ten",
    ]
    places = [steps.index(words) for words in order]
    assert places == sorted(places)
    assert "do not hold the wheel there" in steps


# Stop rule -------------------------------------------------------------------------------


def test_the_stop_rule_names_few_checks_and_then_a_rational_step() -> None:
    plan = plan_of(
        groan(fluid_level="right", fluid_bubbles="none", fluid_colour="brown", fluid_smell="burnt")
    )
    assert len(plan.checks) <= 4
    assert plan.remedy.name == "change_fluid_and_reservoir"
    assert "changing the fluid and the reservoir with its filter is the rational step" in plan.text()
    first = plan.checks[0]
    assert first.name not in plan.text(), "people know a check by what is to be done"
    assert f'"{first.title[:12]}' in plan.text()


def test_a_check_that_pays_lowers_the_expected_cost_by_more_than_its_price() -> None:
    state = groan()
    look = KNOWLEDGE.check("look_at_fluid")
    now = float(repair_cost(state.weighed.weight[None, :], KNOWLEDGE)[0])
    later = 0.0
    answers = KNOWLEDGE.observation("fluid_level").answers
    shares = state.weighed.weight @ answer_table(KNOWLEDGE, "fluid_level", known_pump=False)
    for share, answer in zip(shares, answers, strict=True):
        then = state.answered("fluid_level", answer.name)
        later += share * float(repair_cost(then.weighed.weight[None, :], KNOWLEDGE)[0])
    assert later < now
    assert value_of(look, state) >= now - later - look.price - 1e-9


def test_nothing_is_repaired_where_nothing_is_wrong() -> None:
    quiet = State.of(
        dict.fromkeys(SYMPTOMS, 0.02),
        knowledge=KNOWLEDGE,
        observations={"fluid_level": "right", "fluid_bubbles": "none", "belt_look": "sound"},
    )
    assert plan_of(quiet).remedy.name == "leave_it"


@pytest.mark.parametrize(
    ("sound", "seen", "remedy"),
    [
        ("bearing_growl", {"pulley_play": "at_the_pump"}, "renew_pump"),
        ("belt_squeal", {"belt_look": "glazed_or_oily"}, "tension_or_renew_belt"),
    ],
)
def test_a_likely_fault_is_not_left_alone_because_that_costs_nothing(
    sound: str, seen: dict[str, str], remedy: str
) -> None:
    state = State.of(dict.fromkeys(SYMPTOMS, 0.02) | {sound: 0.99}, knowledge=KNOWLEDGE, observations=seen)
    plan = plan_of(state)
    assert plan.remedy.name == remedy
    assert plan.cure_probability > 0.5


@pytest.mark.parametrize(
    ("name", "notes", "called"),
    [
        ("a.m4a", [{"code": "simulated", "text": "made"}], True),
        ("simulated 3.wav", [], True),
        ("a.m4a", [{"code": "short", "text": "short"}, 7], False),
        ("a.m4a", 5, False),
        ("a.m4a", None, False),
    ],
)
def test_a_kept_analysis_says_whether_its_clip_was_simulated(name: str, notes: Any, called: bool) -> None:
    plain = {
        "schema": "audiodiag/analysis/1",
        "clip": {"file": name},
        "symptoms": [{"name": "belt_squeal", "probability": 0.9}],
        "verdict": {"kind": "symptoms"},
        "quality": {"notes": notes},
    }
    assert case_of(plain, name="case.json").simulated is called


# No combination breaks -------------------------------------------------------------------

ANSWERS = st.fixed_dictionaries(
    {},
    optional={
        seen.name: st.sampled_from([*(answer.name for answer in seen.answers), NOT_LOOKED])
        for seen in KNOWLEDGE.observations
    },
)
LIFE = st.builds(
    Circumstances,
    age_years=st.none() | st.floats(0, 100),
    mileage_km=st.none() | st.floats(0, 3e6),
    renewed=st.lists(st.sampled_from(KNOWLEDGE.renewable), unique=True).map(tuple),
    suction=st.none()
    | st.builds(
        lambda c, mm, rpm: suction_margin(SuctionLine(c, hose_bore_mm=mm, pump_rpm=rpm)),
        st.floats(-45, 150),
        st.floats(4, 40),
        st.floats(100, 10000),
    ),
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(heard=st.dictionaries(st.sampled_from(SYMPTOMS), st.floats(0, 1)), saw=ANSWERS, life=LIFE)
def test_no_combination_of_answers_breaks_anything(
    heard: dict[str, float], saw: dict[str, str], life: Circumstances
) -> None:
    state = State.of(heard, knowledge=KNOWLEDGE, observations=saw, circumstances=life)
    weight = state.weighed.weight
    assert (weight >= 0).all() and weight.sum() == pytest.approx(1, abs=1e-9)
    advice = advice_in(state)
    every = findings_of(state)
    assert all(0 <= cause.probability <= 1 for cause in every)
    told = [cause.name for cause in advice.causes]
    assert told and advice.causes == tuple(cause for cause in every if cause.name in told)
    size = state.weighed.members.sum(axis=1)
    total = sum(cause.probability for cause in every)
    assert total == pytest.approx(1 + float(weight @ (size - 1).clip(0)), abs=1e-9)
    for outcomes in advice.outcomes:
        for name in {outcome.observation for outcome in outcomes}:
            shares = [outcome.probability for outcome in outcomes if outcome.observation == name]
            assert sum(shares) == pytest.approx(1, abs=1e-9)
    assert 0 <= advice.plan.cure_probability <= 1
    assert all(question.observation.name not in saw for question in advice.questions)
    json.dumps(advice.plain(case="any", moves=[]), allow_nan=False)
