"""The trade-off of a run agrees with what the run itself would have said with another assurance."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from run_counts import NAMES, cleaning_counts

from glowledger.glow.results import SeriesFit
from glowledger.runs.analysing import analyse_run
from glowledger.runs.blank import Blank
from glowledger.runs.endpoint import Criterion
from glowledger.runs.operating_point import RiskHistory, operating_point
from glowledger.runs.run_options import RunOptions

END = 60 * np.log(20)  # of the simulated decay


def followed(frames=260, *, assurance=0.95, hold_s=0.0, **events):
    series = SeriesFit(species_names=NAMES, **cleaning_counts(frames, **events))
    history = RiskHistory()
    options = RunOptions(indicators=("CO",), criterion=Criterion(assurance=assurance, hold_s=hold_s))
    result = analyse_run(series, options, watch=history)
    return result, operating_point(history, result)


@pytest.mark.parametrize(("assurance", "hold_s"), [(0.8, 0.0), (0.95, 0.0), (0.95, 20.0), (0.99, 0.0)])
def test_the_accepted_risk_stops_when_the_run_was_declared(assurance, hold_s):
    result, point = followed(assurance=assurance, hold_s=hold_s)
    assert point.accepted == pytest.approx(1 - assurance)
    here = np.argmin(np.abs(point.risks - point.accepted))
    assert point.stop_s[here] == result.endpoint.declared_at_s


def test_another_assurance_would_have_stopped_where_the_trade_off_says():
    _, point = followed(assurance=0.95)
    for risk in (0.2, 0.1):  # smaller risks come after the endpoint, where only every fifth frame is judged
        result, _ = followed(assurance=1 - risk)
        said = point.stop_s[np.flatnonzero(np.isclose(point.risks, risk))[0]]
        assert said == pytest.approx(result.endpoint.declared_at_s, abs=3.0)


def test_less_risk_never_stops_sooner():
    _, point = followed()
    known = point.stop_s[np.isfinite(point.stop_s)]
    assert known.size > 5
    assert np.all(np.diff(point.risks) < 0)
    assert np.all(np.diff(known) >= 0)
    assert not np.isfinite(point.stop_s[known.size :]).any()


def test_the_risk_falls_from_certain_to_small():
    _, point = followed()
    assert point.early[0] > 0.9
    assert point.early[point.time_s < 0.5 * END].min() > 0.5
    assert point.now < 0.05
    assert np.all((point.early >= 0) & (point.early <= 1))


def test_a_run_cut_short_stands_before_its_end():
    result, point = followed(frames=100)
    assert result.endpoint.verdict != "reached"
    assert point.now > 0.5
    assert not np.isfinite(point.stop_s[point.risks <= point.accepted]).any()


def test_watching_a_run_does_not_change_it():
    series = SeriesFit(species_names=NAMES, **cleaning_counts(200))
    plain, watched = analyse_run(series), analyse_run(series, watch=RiskHistory())
    assert plain.endpoint == watched.endpoint
    assert_allclose(plain.indicators[0].value, watched.indicators[0].value)


def test_without_a_decay_or_with_a_blank_there_is_no_trade_off():
    result, _ = followed()
    assert operating_point(RiskHistory(), result) is None
    series = SeriesFit(species_names=NAMES, **cleaning_counts(200))
    history = RiskHistory()
    blank = Blank(level=0.05, standard_error=0.001, margin=0.05)
    result = analyse_run(series, RunOptions(indicators=("CO",), blanks={"CO": blank}), watch=history)
    assert operating_point(history, result) is None


def test_where_nothing_falls_stopping_is_not_called_too_early():
    # clean from the start: the verdict is 'cannot tell', and so must be that on stopping
    result, point = followed(frames=80, clean=True)
    assert result.endpoint.verdict == "cannot tell"
    assert point is None
