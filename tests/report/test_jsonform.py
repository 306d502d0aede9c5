from __future__ import annotations

import json
import math
from dataclasses import replace

import jsonschema
import numpy as np
import pytest

from audiodiag.errors import ClipError
from audiodiag.records import SYMPTOMS, Evidence, SymptomFinding, read_only
from audiodiag.report.jsonform import analysis_to_dict, analysis_to_json_line, refusal_to_dict
from tests.report.examples import (
    cannot_tell_analysis,
    crowded_analysis,
    normal_analysis,
    speed_trace,
    squeal_analysis,
)
from tests.report.schema import ANALYSIS, REFUSAL

EXAMPLES = [squeal_analysis, normal_analysis, cannot_tell_analysis, crowded_analysis]


@pytest.mark.parametrize("example", EXAMPLES)
def test_rows_keep_their_schema(example):
    jsonschema.validate(json.loads(analysis_to_json_line(example())), ANALYSIS)


def test_schema_itself_refuses_a_missing_symptom():
    row = analysis_to_dict(squeal_analysis())
    row["symptoms"] = row["symptoms"][:5]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(row, ANALYSIS)


def test_all_six_symptoms_stand_in_order():
    assert [found["name"] for found in analysis_to_dict(normal_analysis())["symptoms"]] == list(SYMPTOMS)


def test_unknown_is_null_and_never_nan():
    row = analysis_to_dict(squeal_analysis())
    assert row["speed"]["rpm"][:3] == [None, None, None]
    assert row["speed"]["rpm"][3] == pytest.approx(811.04)
    assert row["symptoms"][1]["level_db"] is None
    line = analysis_to_json_line(cannot_tell_analysis())
    assert "NaN" not in line
    assert set(json.loads(line)["speed"]["rpm"]) == {None}


def test_values_without_bound_are_null_too():
    speed = speed_trace()
    high = np.array(speed.rpm_high)
    high[5] = math.inf
    odd = Evidence("ratio", math.inf, "", "No noise at all.")
    base = squeal_analysis()
    found = SymptomFinding("pump_whine", 0.2, math.nan, (), (odd,))
    symptoms = (found, *base.symptoms[1:])
    row = json.loads(
        analysis_to_json_line(
            replace(base, speed=replace(speed, rpm_high=read_only(high)), symptoms=symptoms)
        )
    )
    assert row["speed"]["rpm_high"][5] is None
    assert row["symptoms"][0]["level_db"] is None
    assert row["symptoms"][0]["evidence"][0]["value"] is None


def test_numbers_are_rounded_as_promised():
    row = analysis_to_dict(squeal_analysis())
    squeal = row["symptoms"][2]
    assert squeal["probability"] == 0.9312
    assert squeal["level_db"] == -8.25
    assert squeal["spans_s"][1] == [7.123, 7.3]
    assert squeal["evidence"][0]["value"] == 13.1235
    assert row["speed"]["confidence"] == 0.9321


def test_columns_of_speed_have_one_length():
    speed = analysis_to_dict(squeal_analysis())["speed"]
    assert {len(speed[name]) for name in ("time_s", "rpm", "rpm_low", "rpm_high")} == {100}


def test_notes_of_reading_and_of_quality_stand_together_once():
    base = squeal_analysis()
    doubled = replace(base, quality=replace(base.quality, notes=(*base.quality.notes, *base.clip.notes)))
    notes = analysis_to_dict(doubled)["quality"]["notes"]
    assert [note["code"] for note in notes] == ["wind", "clipping", "resampled", "simulated"]


def test_file_is_named_as_it_was_typed():
    assert analysis_to_dict(squeal_analysis())["clip"]["file"] == "simulated_squeal.m4a"
    assert analysis_to_dict(squeal_analysis(), file="a/b.m4a")["clip"]["file"] == "a/b.m4a"


def test_odd_file_names_survive_any_terminal():
    line = analysis_to_json_line(squeal_analysis(), file="gr\u00fcn\udcff.m4a")
    assert line.isascii()
    assert json.loads(line)["clip"]["file"] == "gr\u00fcn\udcff.m4a"


def test_refusal_row_keeps_its_schema():
    error = ClipError("the clip is empty", got="0 s", allowed="at least 3 s", todo="record again")
    row = refusal_to_dict(error, file="a.m4a")
    jsonschema.validate(row, REFUSAL)
    assert row["error"]["what"] == "the clip is empty"
