"""What the live page is made of: bounded trends, remarks that survive, who is let in, what is said at a glance."""

import asyncio
import http.client
import json
import math
import threading
import urllib.error
import urllib.request

import numpy as np
import pytest
import tornado.httpserver
import tornado.netutil
import tornado.websocket

from glowledger.errors import GlowledgerError, RunError
from glowledger.ledger.context import context_from
from glowledger.ledger.store import open_ledger
from glowledger.live.access import access_for
from glowledger.live.board import Board
from glowledger.live.glance import coarse, glance
from glowledger.live.keeping import Keeper
from glowledger.live.remarks import FILE_NAME, LONGEST, Remarks, read_remarks, remark_fields
from glowledger.live.serving import LARGEST_REQUEST, Hub, application
from glowledger.live.trend_rows import TrendRows
from glowledger.runs.run_options import Point


def points(n, *, start=0, used=True, seed=1):
    rng = np.random.default_rng(seed)
    return [
        Point(time_s=float(start + k), values={"CO": 2.0 + 0.1 * float(rng.standard_normal())}, errors={"CO": 0.1},
              used=used, endpoint=None)
        for k in range(n)
    ]  # fmt: skip


@pytest.mark.parametrize("n", [7, 100, 1000, 12345])
def test_rows_stay_few_and_hold_the_mean_and_its_error(n):
    rows = TrendRows(most=64)
    given = points(n)
    for point in given:
        rows.add([point])
        assert len(rows) <= 64
    shown = rows.rows(["CO"])
    values = np.array([p.values["CO"] for p in given])
    sizes = np.full(len(rows), rows.per_row)
    sizes[-1] = n - rows.per_row * (len(rows) - 1)
    assert sizes.sum() == n
    level = np.median(values[:5])
    assert np.average(shown["value"]["CO"], weights=sizes) * level == pytest.approx(values.mean(), rel=1e-4)
    # a mean of n values of standard error s has s / sqrt(n); 1.96 of it to either side cover 95 % of a normal
    assert shown["half"]["CO"] == pytest.approx((1.96 * 0.1 / np.sqrt(sizes) / level).tolist(), rel=1e-3)
    assert shown["time_s"] == sorted(shown["time_s"])


def test_who_knows_part_of_the_rows_gets_the_rest():
    board_rows, copy, known = TrendRows(most=16), {"t": [], "v": []}, (None, 0)
    for point in points(400):
        board_rows.add([point])
        start = 0 if known[0] != board_rows.epoch else max(known[1] - 1, 0)
        more = board_rows.rows(["CO"], start)
        copy = {"t": copy["t"][:start] + more["time_s"], "v": copy["v"][:start] + more["value"]["CO"]}
        known = (board_rows.epoch, len(board_rows))
        whole = board_rows.rows(["CO"])
        assert copy == {"t": whole["time_s"], "v": whole["value"]["CO"]}


def test_frames_set_aside_are_shown_apart_and_never_too_many():
    rows = TrendRows()
    rows.add(points(5))
    before = rows.rows(["CO"])
    rows.add(points(1000, start=5, used=False))
    assert rows.rows(["CO"]) == before
    assert len(rows.aside(["CO"])["CO"]["time_s"]) == 200


def test_a_run_measured_anew_replaces_all(tmp_path):
    rows = TrendRows()
    rows.add(points(50))
    epoch = rows.epoch
    rows.replace(points(3, seed=2))
    assert len(rows) == 3
    assert rows.epoch > epoch


# remarks


def test_remarks_survive_a_line_cut_off(tmp_path):
    remarks = Remarks(tmp_path)
    remarks.add("note", "first\nline", 3.0)
    remarks.add("magnet", "", 4.0)
    with open(tmp_path / FILE_NAME, "a", encoding="utf-8") as stream:
        stream.write('{"kind": "note", "te')  # the power failed
    again = Remarks(tmp_path)
    again.add("note", "after", None)
    assert [(r.kind, r.text, r.time_s) for r in read_remarks(tmp_path)] == [
        ("note", "first\nline", 3.0), ("magnet", "", 4.0), ("note", "after", None),
    ]  # fmt: skip
    fields = remark_fields(tmp_path)
    assert [m["kind"] for m in fields["marks"]] == ["magnet"]
    assert [n["text"] for n in fields["notes"]] == ["first\nline", "after"]


@pytest.mark.parametrize(("kind", "text"), [("note", "  "), ("note", "x" * (LONGEST + 1)), ("alarm", "x")])
def test_remarks_that_cannot_be_kept_are_refused(tmp_path, kind, text):
    with pytest.raises(RunError):
        Remarks(tmp_path).add(kind, text, None)
    assert read_remarks(tmp_path) == ()


def test_a_run_that_goes_on_is_in_the_ledger_and_gives_way_to_the_finished_one(tmp_path):
    keeper = Keeper(
        ledger=tmp_path / "l.sqlite", run=tmp_path / "run", folder=tmp_path / "answer",
        context=context_from({"gas": "Ar", "part": "cell 7"}),
    )  # fmt: skip
    begun = keeper.begin()
    keeper.note("door closed")
    with open_ledger(keeper.ledger) as ledger:
        assert [n["text"] for n in ledger.run(begun)["notes"]] == ["door closed"]
        assert ledger.run(begun)["verdicts"][0]["verdict"] == "cannot tell"
    finished = {
        "schema": "glowledger/track/1", "file": "run", "frames": 3, "duration_s": 2.0, "reference": "Ar I",
        "indicators": [], "flashes": [], "regimes": [], "alarms": [],
        "marks": [{"kind": "magnet", "time_s": 1.0, "text": "", "written_at": "2026-01-01T00:00:00+00:00"}],
        "endpoint": {"verdict": "not reached", "time_s": None, "interval_s": [None, None], "reason": "so"},
        "record": {"run_id": "abc123abc123", "recorded_at": "2026-01-01T00:00:00+00:00", "files": []},
    }  # fmt: skip
    for _ in range(2):  # killed after the first, it is done again
        assert keeper.end(finished) == "abc123abc123"
    with open_ledger(keeper.ledger) as ledger:
        assert [run["run_id"] for run in ledger.runs()] == ["abc123abc123"]
        run = ledger.run("abc123abc123")
    assert [n["text"] for n in run["notes"]] == ["door closed"]
    assert [(e["kind"], e["start_s"]) for e in run["events"]] == [("mark: magnet", 1.0)]
    names = [file.name for file in (tmp_path / "l_runs").iterdir()]
    assert names
    assert all(name.startswith("abc123abc123") for name in names)


# who is let in


def test_on_loopback_only_names_of_this_machine_count_else_the_token(tmp_path):
    near = access_for("127.0.0.1", tmp_path)
    assert near.token == ""
    assert all(near.knows_host(h) for h in ("127.0.0.1:80", "localhost:80", "[::1]:80"))
    assert not near.knows_host("elsewhere.example:80")
    far = access_for("0.0.0.0", tmp_path)
    assert len(far.token) >= 32  # 24 random bytes in base64
    assert far.admits(far.token)
    assert not far.admits("")
    assert not far.admits(far.token[:-1])
    assert access_for("0.0.0.0", tmp_path).token == far.token, "pages go on after a restart"
    assert (tmp_path / "live_token").stat().st_mode & 0o077 == 0
    assert near.same_site("http://127.0.0.1:80", "127.0.0.1:80")
    assert not near.same_site("http://127.0.0.1:81", "127.0.0.1:80")
    assert not near.same_site(None, "127.0.0.1:80")


@pytest.fixture(params=["127.0.0.1", "0.0.0.0"])
def served(request, tmp_path):
    """Serve a board in a thread; return port, access and the notes told."""
    notes = []
    access = access_for(request.param, tmp_path)
    loop = asyncio.new_event_loop()
    board = Board("run <b>", Remarks(tmp_path))
    sockets = tornado.netutil.bind_sockets(0, "127.0.0.1")
    started = threading.Event()

    async def begin():
        server = tornado.httpserver.HTTPServer(
            application(Hub(board, on_note=notes.append), access), max_body_size=LARGEST_REQUEST
        )
        server.add_sockets(sockets)
        started.set()
        return server

    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    server = asyncio.run_coroutine_threadsafe(begin(), loop).result(60)
    yield sockets[0].getsockname()[1], access, notes

    async def end():
        server.stop()
        await server.close_all_connections()

    asyncio.run_coroutine_threadsafe(end(), loop).result(60)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(60)
    loop.close()


def asked(port, path, *, body=None, **headers):
    """Return status and content of a request."""
    headers = {name.replace("_", "-"): value for name, value in headers.items()}
    data = None if body is None else body if isinstance(body, bytes) else json.dumps(body).encode()
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", data=data, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=600) as reply:
            return reply.status, reply.read().decode(), reply.headers
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode(), error.headers


def test_the_page_needs_the_token_and_names_nothing_elsewhere(served):
    port, access, _ = served
    status, text, headers = asked(port, f"/?token={access.token}")
    assert status == 200
    assert "run &lt;b&gt;" in text
    assert "run <b>" not in text
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert headers["Referrer-Policy"] == "no-referrer"
    shown = text.split('<script type="application/json"')[0].replace("http://www.w3.org", "")
    assert "http:" not in shown
    assert "https:" not in shown
    if access.token:
        for path in ("/", "/?token=", f"/?token={access.token}x", "/news", "/nowhere"):
            assert asked(port, path)[0] == 403, path
        for path in ("/page.js", "/draw.js", "/page.css", "/bokeh.js", "/favicon.ico"):  # nothing of the run is in them
            assert asked(port, path)[0] == 200, path
    else:
        assert asked(port, "/", Host="elsewhere.example")[0] == 403  # DNS rebinding


def test_remarks_are_taken_from_our_own_page_alone(served):
    port, access, notes = served
    own = {"Origin": f"http://127.0.0.1:{port}", "Content_Type": "application/json", "X_Token": access.token}
    note = {"kind": "note", "text": "seen"}
    assert asked(port, "/remark", body=note, **own)[0] == 201
    assert asked(port, "/remark", body=note, **(own | {"Origin": "http://elsewhere.example"}))[0] == 403
    assert asked(port, "/remark", body=note, **{k: v for k, v in own.items() if k != "Origin"})[0] == 403
    assert asked(port, "/remark", body=note, **(own | {"Content_Type": "text/plain"}))[0] == 415
    assert asked(port, "/remark", body=b"[1]", **own)[0] == 400
    assert asked(port, "/remark", body={"kind": "note", "text": 5}, **own)[0] == 400
    status, text, _ = asked(port, "/remark", body={"kind": "note", "text": "x" * (LONGEST + 1)}, **own)
    assert status == 422
    assert str(LONGEST) in text
    assert notes == ["seen"]
    if access.token:
        assert asked(port, "/remark", body=note, **(own | {"X_Token": "x"}))[0] == 403


def refused(port, origin, token):
    """Return the status of an opening handshake (RFC 6455, section 4.1; its example key)."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    headers = {
        "Origin": origin, "Upgrade": "websocket", "Connection": "Upgrade", "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
    }  # fmt: skip
    connection.request("GET", f"/news?token={token}", headers=headers)
    with connection.getresponse() as reply:
        reply.read()
    connection.close()
    return reply.status


def test_news_goes_to_our_own_page_alone(served):
    port, access, _ = served

    async def first_news(origin, token):
        from tornado.httpclient import HTTPRequest

        request = HTTPRequest(f"ws://127.0.0.1:{port}/news?token={token}", headers={"Origin": origin})
        connection = await tornado.websocket.websocket_connect(request)
        news = json.loads(await asyncio.wait_for(connection.read_message(), 60))
        connection.close()
        assert await asyncio.wait_for(connection.read_message(), 60) is None  # it is closed
        return news

    own = f"http://127.0.0.1:{port}"
    news = asyncio.run(first_news(own, access.token))
    assert news["glance"]["verdict"] == "learning"
    assert news["glance"]["name"] == "run <b>"
    assert refused(port, "http://elsewhere.example", access.token) == 403
    if access.token:
        assert refused(port, own, "x") == 403


# at a glance


@pytest.mark.parametrize(
    ("seconds", "interval", "said"),
    [
        (752.0, [540.0, 960.0], "12 min 30 s"),
        (752.3, [740.0, 765.0], "12 min 32 s"),
        (4000.0, [1800.0, 9000.0], "1 h 10 min"),
        (42.0, [35.0, 130.0], "40 s"),
        (0.0, [0.0, 0.0], "0 s"),
    ],
)
def test_the_time_left_has_no_more_digits_than_its_interval(seconds, interval, said):
    text, bounds = coarse(seconds, interval)
    assert text == said
    assert bounds.startswith("95 %: ")


def test_without_a_time_nothing_is_said():
    assert coarse(math.nan, [math.nan, math.nan]) == ("", "")
    assert glance({"verdict": "cannot tell"}, "The light is flat.")["left"] == ""
    assert glance({}, "")["verdict"] == "learning"
    over = glance({"verdict": "approaching", "remaining_s": 0.0, "remaining_interval_s": [0.0, 90.0]}, "It falls.")
    assert over["left"] == ""
    assert over["left_is"] == "perhaps over"


def test_an_interval_without_end_says_so():
    assert coarse(600.0, [300.0, math.inf])[1] == "95 %: 5 min or later"


def test_a_ledger_that_cannot_be_used_is_told_before_the_run(tmp_path):
    (tmp_path / "l.sqlite").write_bytes(b"no ledger" * 100)
    keeper = Keeper(ledger=tmp_path / "l.sqlite", run=tmp_path, folder=tmp_path, context=context_from({}))
    with pytest.raises(GlowledgerError):
        keeper.begin()


# while the follower learns


def test_frames_are_shown_while_the_follower_learns_and_set_right_by_what_is_kept(tmp_path):
    import live_recording as recording

    from glowledger.live.arrivals import Arrived
    from glowledger.live.following import Following, follow_run
    from glowledger.live.peeking import Peek
    from glowledger.runs.run_options import RunOptions
    from glowledger.spectra.options import ReadingOptions

    folder = tmp_path / "run"
    folder.mkdir()
    counts = recording.counts(25)
    for k in range(20):
        recording.write_frame(folder, k, counts[k])
    board, stop, seen = Board("run", Remarks(tmp_path)), threading.Event(), []
    peek = Peek(folder, ReadingOptions())

    class Watch:
        """The board, with a file that comes while the first frames are learned from."""

        def __getattr__(self, name):
            return getattr(board, name)

        def arrived(self, run, arrived):
            assert isinstance(arrived, Arrived)
            board.arrived(run, arrived)
            recording.write_frame(folder, 20, counts[20])
            board.peeked(*peek.look())
            assert peek.look() is None, "the same file is shown once"
            told, _ = board.news({})
            seen.append((told["glance"]["frame"], told["glance"]["busy"], told["spectrum"]["counts"]))
            stop.set()

    watch = Watch()
    follow_run(
        Following(
            path=folder, folder=tmp_path / "answer", observer=watch, stages=(20,), species=("Ar I", "H I"), poll_s=0.01,
            choose=lambda model, series: RunOptions(candidates=model.joint),
        ),
        watch, stop,
    )  # fmt: skip
    number, busy, shown = seen[0]
    assert (number, busy) == (21, True)
    assert shown == pytest.approx(counts[20].tolist())
    told, _ = board.news({})
    assert (told["glance"]["frame"], told["glance"]["busy"]) == (20, False)
    assert told["glance"]["verdict"] != "learning"
