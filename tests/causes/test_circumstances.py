"""What the car's life and the measured confusion of the classifier do to the causes."""

from pathlib import Path

import pytest

from audiodiag.causes import (
    Circumstances,
    SuctionLine,
    infer_causes,
    load_knowledge,
    next_checks,
    suction_margin,
)
from audiodiag.causes.circumstances import prior_factors
from audiodiag.causes.network import likelihood_ratio
from audiodiag.classifier.store import Confusion, measured_confusion
from audiodiag.errors import ModelError, UsageError
from audiodiag.records import SYMPTOMS

KNOWLEDGE = load_knowledge()


def shares(heard: str | None, life: Circumstances | None = None, **saw: str) -> dict[str, float]:
    sounds = {name: 0.9 if name == heard else 0.04 for name in SYMPTOMS}
    found = infer_causes(sounds, knowledge=KNOWLEDGE, observations=saw, circumstances=life)
    return {finding.name: finding.probability for finding in found}


def test_age_and_mileage_move_the_odds_by_the_points_of_the_file() -> None:
    factors = prior_factors(Circumstances(age_years=20.0), KNOWLEDGE)
    assert factors["collapsed_suction_hose"] == pytest.approx(2.2)
    assert "worn_tensioner" not in factors
    between = prior_factors(Circumstances(age_years=16.0), KNOWLEDGE)
    assert between["collapsed_suction_hose"] == pytest.approx(1.6)
    both = prior_factors(Circumstances(age_years=20.0, mileage_km=300000.0), KNOWLEDGE)
    assert both["collapsed_suction_hose"] == pytest.approx((2.2 * 1.5) ** 0.5)
    assert prior_factors(Circumstances(age_years=12.0, mileage_km=150000.0), KNOWLEDGE) == {}


def test_an_old_car_and_recent_work_change_what_is_likely() -> None:
    plain = shares("cavitation_groan")
    old = shares("cavitation_groan", Circumstances(age_years=25.0))
    new_hose = shares("cavitation_groan", Circumstances(renewed=("suction_hose",)))
    assert old["collapsed_suction_hose"] > 1.5 * plain["collapsed_suction_hose"]
    assert new_hose["collapsed_suction_hose"] < 0.2 * plain["collapsed_suction_hose"]
    assert new_hose["air_leak_at_suction"] > plain["air_leak_at_suction"]
    whine = shares("pump_whine", Circumstances(renewed=("pump",)))
    assert whine["worn_pump"] < 0.3 * shares("pump_whine")["worn_pump"]


def test_the_odds_of_cold_fluid_are_those_of_the_margin_used_up() -> None:
    margin = suction_margin(SuctionLine(fluid_temperature_c=8.0, hose_bore_mm=12.0))
    factors = prior_factors(Circumstances(suction=margin), KNOWLEDGE)
    odds = KNOWLEDGE.cause("cold_thick_fluid").odds * factors["cold_thick_fluid"]
    assert odds / (1 + odds) == pytest.approx(margin.cold_probability, abs=1e-9)
    assert shares(None, Circumstances(suction=margin))["worn_pump"] > 0


def test_reasons_name_the_circumstances() -> None:
    sounds = dict.fromkeys(SYMPTOMS, 0.04)
    life = Circumstances(age_years=25.0, renewed=("pump",))
    found = {
        f.name: " ".join(f.because) for f in infer_causes(sounds, knowledge=KNOWLEDGE, circumstances=life)
    }
    assert "makes it more likely (prior odds times" in found["collapsed_suction_hose"]
    assert "makes it less likely (prior odds times" in found["worn_pump"]


def test_impossible_lives_are_refused() -> None:
    for life, words in (
        (Circumstances(age_years=-1.0), "age cannot be used (got -1 years; allowed: 0 to 100 years)"),
        (Circumstances(mileage_km=float("nan")), "mileage cannot be used"),
        (Circumstances(renewed=("pumpe",)), "did you mean pump?"),
    ):
        with pytest.raises(UsageError) as caught:
            infer_causes({}, knowledge=KNOWLEDGE, circumstances=life)
        assert words in str(caught.value)


# Measured confusion ----------------------------------------------------------------------


def test_the_shipped_card_says_what_was_measured() -> None:
    confusion = measured_confusion()
    assert set(confusion) == set(SYMPTOMS)
    for measured in confusion.values():
        assert 0.1 < measured.recall < 1 and 0 < measured.false_alarms < 0.2
        assert measured.ratio_heard > 5 and measured.ratio_unheard < 1


def card(rows: str) -> str:
    head = "# Card\n\n## Scores on clips kept apart\n\n| symptom | clips | recall |\n| --- | --- | --- |"
    return f"{head}\n{rows}\n"


def test_recall_and_false_alarms_are_read_from_the_card(tmp_path: Path) -> None:
    rows = "\n".join(
        f"| {name} | 300 | 0.9 | 40 % of 99 | 50 % of 60 | 2 % of 100 | 6 % of 99 | 0 % of 38 |"
        for name in SYMPTOMS
    )
    (tmp_path / "CARD.md").write_text(card(rows), encoding="utf-8")
    measured = measured_confusion(tmp_path)["belt_chirp"]
    assert measured.recall == pytest.approx((0.40 * 99 + 0.5) / 100)
    assert measured.false_alarms == pytest.approx((2 + 0.06 * 99 + 0.5) / 200)


@pytest.mark.parametrize("text", [None, "# Card\n", card("| pump_whine | 3 | 40 % of 99 |")])
def test_a_card_without_scores_is_refused(tmp_path: Path, text: str | None) -> None:
    if text is not None:
        (tmp_path / "CARD.md").write_text(text, encoding="utf-8")
    with pytest.raises(ModelError, match=r"card of the model cannot be read|holds no scores"):
        measured_confusion(tmp_path)


def test_a_sound_never_says_more_than_was_measured() -> None:
    measured = Confusion(recall=0.4, false_alarms=0.02)
    assert likelihood_ratio(1.0, 0.15, measured) == pytest.approx(20.0)
    assert likelihood_ratio(0.0, 0.15, measured) == pytest.approx(0.6 / 0.98)
    assert likelihood_ratio(0.5, 0.15, measured) == pytest.approx(0.85 / 0.15)
    assert likelihood_ratio(0.15, 0.15, measured) == pytest.approx(1.0)


# Loose ends ------------------------------------------------------------------------------


@pytest.mark.parametrize("probability", [0.21, 0.35, 0.49])
def test_a_sound_that_is_perhaps_there_is_named(probability: float) -> None:
    sounds = {name: probability if name == "belt_chirp" else 0.04 for name in SYMPTOMS}
    found = {f.name: f.because for f in infer_causes(sounds, knowledge=KNOWLEDGE)}
    assert found["misaligned_or_worn_belt"][0].startswith(
        f"Perhaps there is a belt chirp (probability {100 * probability:.0f} %)"
    )
    assert "Nothing heard or seen" not in " ".join(found["misaligned_or_worn_belt"])


@pytest.mark.parametrize("hiss", [0.15, 0.25, 0.4])
def test_a_chirp_does_not_send_anyone_to_the_stop(hiss: float) -> None:
    sounds = dict.fromkeys(SYMPTOMS, 0.04) | {"belt_chirp": 0.8, "relief_hiss": hiss}
    advised = [
        check.name
        for check in next_checks(sounds, knowledge=KNOWLEDGE, prevalence=dict.fromkeys(SYMPTOMS, 0.15))
    ]
    assert advised[0] in ("straightedge", "look_at_belt")
    assert "come_off_the_stop" not in advised[:3]
