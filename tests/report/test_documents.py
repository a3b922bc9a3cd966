"""JSON documents: what scripts rely on."""

import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from glowledger.report import documents

JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=20,
)


@given(JSON_VALUES)
def test_what_json_can_hold_comes_back_as_it_was(value):
    assert json.loads(documents.dumps(value)) == value


@given(st.lists(st.floats(), max_size=20))
def test_arrays_come_back_with_null_for_what_is_no_number(values):
    back = json.loads(documents.dumps(np.array(values)))
    expected = [v if np.isfinite(v) else None for v in values]
    assert back == expected


def test_numpy_dates_paths_and_masks_have_a_plain_form():
    @dataclass(frozen=True)
    class Thing:
        size: np.float32
        where: Path

    document = {
        "int": np.int64(3),
        "bool": np.bool_(True),
        "float": np.float64("inf"),
        "text": np.str_("Hα"),
        "masked": np.ma.array([1.0, 2.0], mask=[False, True]),
        "thing": Thing(np.float32(0.5), Path("a/b.csv")),
        "set": {"b", "a"},
        "day": date(2024, 2, 29),
        5: np.zeros((2, 0)),
    }
    assert json.loads(documents.dumps(document)) == {
        "int": 3,
        "bool": True,
        "float": None,
        "text": "Hα",
        "masked": [1.0, None],
        "thing": {"size": 0.5, "where": str(Path("a/b.csv"))},
        "set": ["a", "b"],
        "day": "2024-02-29",
        "5": [[], []],
    }


def test_one_line_of_ascii():
    text = documents.dumps({"a": "Hα\n"})
    assert text.isascii()
    assert "\n" not in text


@pytest.mark.parametrize("value", [1j, object(), dict])
def test_what_has_no_plain_form_is_refused(value):
    with pytest.raises(TypeError):
        documents.dumps({"a": value})


def test_a_number_with_a_unit_is_refused():
    from astropy import units as u

    with pytest.raises(TypeError, match="unit"):
        documents.dumps([1.0, 2.0] * u.nm)


def test_identify_document_keeps_the_contract(make_fit):
    back = json.loads(documents.dumps(documents.identify_document(make_fit(), extra={"file": "a.csv"})))
    assert back["schema"] == "glowledger/identify/1"
    assert {"species", "findings", "fit", "temperatures", "warnings"} <= back.keys()
    assert {"chi2_reduced", "shift_nm", "fwhm_nm"} <= back["fit"].keys()
    for species in back["species"]:
        assert {
            "name",
            "verdict",
            "significance",
            "share",
            "upper_limit",
            "features",
            "reason",
        } <= species.keys()
        assert species["verdict"] in ("present", "possible", "not seen", "cannot tell")
        for feature in species["features"]:
            assert {"label", "wavelength_nm", "counts", "standard_error"} <= feature.keys()
    blocked = next(s for s in back["species"] if s["name"] == "NO")
    assert blocked["upper_limit"] is None


@pytest.mark.parametrize("verdict", ["reached", "approaching", "not reached", "cannot tell"])
def test_track_document_keeps_the_contract(make_run, verdict):
    back = json.loads(documents.dumps(documents.track_document(make_run(verdict))))
    assert back["schema"] == "glowledger/track/1"
    assert {"frames", "duration_s", "reference", "indicators", "flashes", "regimes", "alarms"} <= back.keys()
    for trend in back["indicators"]:
        assert len(trend["time_s"]) == len(trend["value"]) == len(trend["standard_error"]) == back["frames"]
    assert back["endpoint"].keys() >= {
        "verdict",
        "time_s",
        "interval_s",
        "declared_at_s",
        "remaining_s",
        "remaining_interval_s",
        "indicator",
        "criterion",
        "reason",
    }
    assert back["endpoint"]["verdict"] == verdict
    assert back["flashes"][0] == {"time_s": 48.0, "duration_s": 4.0, "species": ["Na I", "H I"]}


def test_extra_fields_may_not_change_the_contract(make_fit):
    with pytest.raises(ValueError, match="schema"):
        documents.identify_document(make_fit(), extra={"fit": 3})
