"""Whole runs: what happened is named, and nothing but a decay ends one."""

import json
import zlib
from dataclasses import replace

import numpy as np
import pytest
from run_counts import NAMES, cleaning_counts

from glowledger.errors import RunError
from glowledger.glow.results import SeriesFit
from glowledger.live import journal
from glowledger.runs.analysing import analyse_run
from glowledger.runs.following import RunFollower
from glowledger.runs.frame_counts import frame_of
from glowledger.runs.run_options import RunOptions

CO_ONLY = RunOptions(indicators=("CO",))
END = 60 * np.log(20)


def series(frames=260, **events):
    return SeriesFit(species_names=NAMES, **cleaning_counts(frames, **events))


def kinds(result):
    return [a.kind for a in result.alarms]


def test_a_quiet_run_is_reached_after_its_end_with_argon_as_reference():
    result = analyse_run(series())
    assert result.reference == "Ar I"
    assert result.reference_reason
    assert {t.name for t in result.indicators} == {"CO/Ar I", "OH/Ar I", "H I/Ar I"}
    end = result.endpoint
    assert (end.verdict, end.indicator) == ("reached", "CO/Ar I")
    assert end.declared_at_s > END
    assert end.interval_s[0] <= END <= end.interval_s[1]
    assert result.flashes == ()
    assert len(result.regimes) == 1
    assert result.frames == 260


def test_flashes_are_kept_as_events_with_their_species_and_left_out_of_the_trend():
    result = analyse_run(series(flashes=(30, 31, 90, 150)), CO_ONLY)
    assert [f.time_s for f in result.flashes] == [30.0, 90.0, 150.0]
    assert all(f.species[0] == "Na I" for f in result.flashes)
    trend = result.indicators[0]
    assert not trend.used[[30, 31, 90, 150]].any()
    assert trend.used.sum() == 256
    assert result.endpoint.declared_at_s > END


def test_a_power_step_cuts_the_run_and_is_no_endpoint():
    result = analyse_run(series(power_at=70), CO_ONLY)
    assert [r.start_s for r in result.regimes] == [0.0, 70.0]
    assert "power" in result.regimes[1].why
    early = analyse_run(series(frames=110, power_at=70), CO_ONLY)
    assert early.endpoint.verdict != "reached"
    assert not result.endpoint.declared_at_s < END


def test_a_plasma_that_goes_out_is_not_a_clean_part():
    result = analyse_run(series(out=slice(100, 260)), CO_ONLY)
    assert result.regimes[-1].why == "plasma out"
    assert "plasma out" in kinds(result)
    assert result.endpoint.verdict == "not reached"
    assert "no sign of cleanness" in result.endpoint.reason


def test_a_plasma_lit_again_goes_on_cleaning_where_it_stopped():
    result = analyse_run(series(frames=300, out=slice(100, 130)), CO_ONLY)
    assert [r.why for r in result.regimes] == ["start of the run", "plasma out", "plasma lit again, as before"]
    assert result.endpoint.verdict == "reached"
    assert result.endpoint.declared_at_s > END


@pytest.mark.parametrize("pause", [80, 300])
def test_a_pause_after_the_end_does_not_move_it(pause):
    """The plasma goes out when the end has come but was not declared yet, and nothing is cleaned meanwhile."""
    lit, out = cleaning_counts(500, seed=2), cleaning_counts(pause, seed=3, out=slice(0, pause))
    run = {name: np.concatenate([part[:185], out[name], part[185:]]) for name, part in lit.items()}
    run["time_s"] = np.arange(500.0 + pause)
    end = analyse_run(SeriesFit(species_names=NAMES, **run), CO_ONLY).endpoint
    assert end.verdict == "reached"
    assert end.declared_at_s > 185 + pause
    assert end.interval_s[0] <= END <= end.interval_s[1]  # before: later by the pause
    assert end.interval_s[1] < 185 + pause


def test_an_end_that_was_reached_stays_as_it_was_when_the_plasma_is_lit_again():
    run = series(frames=400, out=slice(260, 300))
    follower = RunFollower(species_names=NAMES, options=CO_ONLY)
    ends = []
    for i in range(400):
        follower.update(frame_of(run, i))
        ends.append(follower.verdict())
    assert follower.log.regimes[-1].why == "plasma lit again, as before"
    assert ends[310].verdict == "reached"
    assert ends[399] == ends[310]


def test_nitrogen_that_comes_suddenly_is_a_possible_air_leak_and_no_other_plasma():
    result = analyse_run(series(leak_at=100), CO_ONLY)
    assert "possible air leak" in kinds(result)
    assert "N2" in result.regimes[1].why
    assert not result.endpoint.declared_at_s < END


def test_a_change_of_gas_is_named_and_another_reference_chosen():
    result = analyse_run(series(gas_at=120), CO_ONLY)
    assert "gas changed" in result.regimes[1].why
    assert result.reference == "O I"


def test_a_room_light_is_named_and_disturbs_nothing():
    result = analyse_run(series(lamp_at=60), CO_ONLY)
    assert "lamp or room light" in kinds(result)
    assert result.endpoint.verdict == "reached"
    assert result.endpoint.declared_at_s > END


def test_a_moved_spectrometer_cuts_the_run():
    result = analyse_run(series(moved_at=80), CO_ONLY)
    assert "spectrometer moved" in kinds(result)
    assert len(result.regimes) == 2


def test_a_film_on_the_window_is_called():
    assert "window fogging" in kinds(analyse_run(series(fogging=0.8), CO_ONLY))
    assert "window fogging" not in kinds(analyse_run(series(), CO_ONLY))


def test_another_exposure_changes_nothing():
    plain = analyse_run(series(), CO_ONLY)
    doubled = analyse_run(series(double_exposure_at=100), CO_ONLY)
    assert len(doubled.regimes) == 1
    assert abs(doubled.endpoint.time_s - plain.endpoint.time_s) < 5.0


def test_a_clean_chamber_cannot_tell():
    result = analyse_run(series(clean=True))
    assert result.endpoint.verdict == "cannot tell"
    assert "blank" in result.endpoint.reason


def test_saturated_frames_are_left_out_and_said():
    s = series()
    saturated = np.zeros(260, dtype=bool)
    saturated[20:25] = True
    result = analyse_run(replace(s, saturated=saturated), CO_ONLY)
    assert "saturated" in kinds(result)
    assert not result.indicators[0].used[20:25].any()
    assert analyse_run(replace(s, saturated=np.ones(260, bool)), CO_ONLY).endpoint.verdict == "reached"


def test_frames_without_any_answer_cannot_tell():
    s = series(frames=40)
    empty = replace(s, counts=np.full_like(s.counts, np.nan), total_counts=np.full(40, np.nan))
    result = analyse_run(empty)
    assert result.endpoint.verdict == "cannot tell"
    assert "frame without answer" in kinds(result)


@pytest.mark.parametrize("frames", [1, 2, 5])
def test_very_short_runs_cannot_tell(frames):
    assert analyse_run(series(frames=frames)).endpoint.verdict == "cannot tell"


def test_no_frames_are_refused():
    s = series(frames=1)
    none = {n: getattr(s, n)[:0] for n in cleaning_counts(1)}
    with pytest.raises(RunError, match="no frames"):
        analyse_run(SeriesFit(species_names=NAMES, **none))


def test_unknown_indicator_and_reference_are_refused_with_the_choice():
    with pytest.raises(RunError, match="'Xy'"):
        analyse_run(series(frames=20), RunOptions(indicators=("Xy",)))
    with pytest.raises(RunError, match="'Xy'"):
        analyse_run(series(frames=20), RunOptions(reference="Xy"))


def test_repeated_and_disordered_frames_are_mended_and_said():
    s = series()
    order = np.arange(260)
    order[[40, 41]] = [41, 40]
    mixed = {n: getattr(s, n)[np.insert(order, 100, 100)] for n in cleaning_counts(1)}
    result = analyse_run(SeriesFit(species_names=NAMES, **mixed), CO_ONLY)
    assert {"frame out of order", "time repeated"} <= set(kinds(result))
    assert np.all(np.diff(result.indicators[0].time_s) > 0)
    assert result.endpoint.verdict == "reached"
    assert abs(result.endpoint.time_s - END) < 10


def test_what_is_said_of_a_frame_does_not_depend_on_later_ones():
    a, b = series(), series(power_at=180, leak_at=200)
    same = [np.array_equal(a.counts[i], b.counts[i]) for i in range(180)]
    assert all(same)
    said = []
    for s in (a, b):
        follower = RunFollower(species_names=NAMES, options=CO_ONLY)
        points = [p for i in range(180) for p in follower.update(frame_of(s, i))]
        said.append([repr(p) for p in points])
    assert said[0] == said[1]


def test_a_run_goes_on_after_a_restart_as_if_nothing_had_been():
    s = series(flashes=(30, 150), out=slice(100, 112))
    straight = RunFollower(species_names=NAMES, options=CO_ONLY)
    broken = RunFollower(species_names=NAMES, options=CO_ONLY)
    points = ([], [])
    for i in range(220):
        points[0].extend(straight.update(frame_of(s, i)))
        points[1].extend(broken.update(frame_of(s, i)))
        if i in (4, 9, 31, 103, 115, 190):
            broken = RunFollower.from_dict(json.loads(json.dumps(broken.to_dict())), CO_ONLY)
    assert [repr(p) for p in points[0]] == [repr(p) for p in points[1]]
    assert straight.log.to_dict() == broken.log.to_dict()


def test_flashes_that_come_more_and_more_often_are_called():
    rising = tuple(int(x) for x in 250 * np.sqrt(np.linspace(0.1, 1.0, 12)))
    late = (*rising[:3], *range(180, 250, 6))
    assert "flash rate rising" in kinds(analyse_run(series(flashes=late), CO_ONLY))
    assert "flash rate rising" not in kinds(analyse_run(series(flashes=tuple(range(10, 250, 24))), CO_ONLY))


def test_a_run_without_times_counts_frames_and_says_so():
    s = series()
    result = analyse_run(replace(s, time_s=np.full(260, np.nan), exposure_s=np.full(260, np.nan)), CO_ONLY)
    assert kinds(result)[0] == "times unknown"  # before: 'A frame has no time', of which no reader sees that none has
    assert "those of frames, not of a clock" in result.alarms[0].text
    assert result.endpoint.verdict == "reached"
    assert abs(result.endpoint.time_s - END) < 10


def test_a_clock_set_back_in_mid_run_changes_nothing_but_is_said():
    s = series()
    t = np.arange(260.0)
    t[120:] -= 3600.0
    result = analyse_run(replace(s, time_s=t), CO_ONLY)
    assert "clock jumped back" in kinds(result)
    assert result.endpoint.verdict == "reached"
    assert abs(result.endpoint.time_s - END) < 10


def layout(value):
    """Return the names in a state, and in what it holds, without the values."""
    if isinstance(value, dict):
        return {str(name): layout(inner) for name, inner in value.items()}
    if isinstance(value, list | tuple):
        return [layout(inner) for inner in value if isinstance(inner, dict)][:1]
    return None


def test_a_journal_is_refused_by_a_program_that_keeps_its_state_otherwise():
    """Whoever changes what a state holds sees this fail: raise `journal.VERSION` and put the new pair here."""
    follower = RunFollower(species_names=NAMES, options=CO_ONLY)
    run = series(flashes=(30, 150), out=slice(100, 112))
    for i in range(220):
        follower.update(frame_of(run, i))
    names = json.dumps(layout(follower.to_dict()), sort_keys=True)
    assert (journal.VERSION, zlib.crc32(names.encode())) == (8, 3919981846), names
