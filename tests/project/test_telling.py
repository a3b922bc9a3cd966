"""What the command line tells besides the answer: colour, progress, quiet, verbose, completion."""

import os
import pty
import re
import select
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from glowledger import progress
from glowledger.cli import COMMANDS, main, telling

SAMPLES = Path(__file__).parents[2] / "sample_spectra"
COLOUR = re.compile(r"\x1b\[[0-9;]*m")
WORDS = ["calibrate", str(SAMPLES / "lamp.csv"), "--lamp", "cfl"]


def on_a_terminal(words, folder, **env):
    """Run the command line with stdout and stderr on a terminal; return what the terminal was sent."""
    leader, follower = pty.openpty()
    clean = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "TERM", "CI")}
    process = subprocess.Popen(
        [sys.executable, "-m", "glowledger", *words], cwd=folder, stdin=subprocess.DEVNULL, stdout=follower,
        stderr=follower, env={**clean, "TERM": "xterm", **env},
    )  # fmt: skip
    os.close(follower)
    sent = b""
    while True:
        ready, _, _ = select.select([leader], [], [], 300)
        try:
            piece = os.read(leader, 65536) if ready else b""
        except OSError:  # the other end is closed
            piece = b""
        if not piece:
            break
        sent += piece
    process.wait()
    os.close(leader)
    return sent.decode()


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a terminal")
def test_colour_is_for_terminals_and_no_color_is_obeyed(tmp_path):
    missing = ["identify", "nowhere.csv"]
    assert COLOUR.search(on_a_terminal(missing, tmp_path))
    assert not COLOUR.search(on_a_terminal(missing, tmp_path, NO_COLOR="1"))
    assert not COLOUR.search(on_a_terminal(missing, tmp_path, TERM="dumb"))
    assert COLOUR.sub("", on_a_terminal(missing, tmp_path)).startswith("error: nowhere.csv")
    piped = subprocess.run([sys.executable, "-m", "glowledger", *missing], cwd=tmp_path, capture_output=True, text=True)
    assert not COLOUR.search(piped.stderr)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a terminal")
def test_long_work_shows_its_progress_and_the_time_left_and_quiet_hides_it(tmp_path):
    code = (
        "import time\nfrom glowledger import progress\nfrom glowledger.cli import telling\n"
        "with telling.progress_shown('measuring'):\n"
        "    for i in range(14):\n        time.sleep(0.1)\n        progress.tell((i + 1) / 20)\n"
        "    progress.tell(1.0)\n"
    )
    leader, follower = pty.openpty()
    process = subprocess.run([sys.executable, "-c", code], stderr=follower, stdout=subprocess.PIPE, timeout=120)
    os.close(follower)
    sent = os.read(leader, 65536).decode()
    os.close(leader)
    assert process.stdout == b""
    assert re.search(r"measuring\s+\[[#-]+\]\s+\d+%\s+\d\d:\d\d:\d\d", sent), sent
    assert "100%" in sent


def test_nothing_is_shown_where_nobody_watches():
    done = subprocess.run(
        [sys.executable, "-m", "glowledger", *WORDS, "--json"], capture_output=True, text=True, check=True
    )
    assert done.stderr == ""


def test_short_work_shows_no_bar(monkeypatch, capsys):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    with telling.progress_shown("short"):
        progress.tell(0.5)
    assert capsys.readouterr().err == ""


def test_shares_of_work_add_up():
    heard = []
    with progress.listening(heard.append):
        with progress.share(0.0, 0.5):
            progress.tell(0.5)
            with progress.share(0.5, 1.0):
                progress.tell(0.5)
        progress.tell(0.75)
    progress.tell(0.1)  # nobody listens any more
    assert heard == pytest.approx([0.25, 0.375, 0.5, 0.5, 0.75])


def test_progress_of_a_fit_rises_to_its_end():
    import glowledger as g

    heard = []
    with progress.listening(heard.append):
        g.identify_frame(g.read_spectra(SAMPLES / "spectrum.csv"), species=["Ar I", "OH"])
    assert len(heard) >= 4
    assert heard == sorted(heard)
    assert heard[-1] <= 1.0


def test_quiet_says_the_answer_and_no_more(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    usual = CliRunner().invoke(main, [*WORDS, "--bench", "a.toml"])
    for i, words in enumerate((["-q", *WORDS], [*WORDS, "--quiet"])):
        quiet = CliRunner().invoke(main, [*words, "--bench", f"quiet_{i}.toml"])
        assert quiet.exit_code == 0, quiet.output
        assert "Wrote" not in quiet.stdout
        assert quiet.stdout.splitlines() == [line for line in usual.stdout.splitlines() if "Wrote" not in line]
    assert "Wrote a.toml" in usual.stdout


@pytest.mark.parametrize("words", [["-v", "inspect"], ["inspect", "--verbose"]])
def test_verbose_says_on_stderr_what_was_read_and_with_which_versions(words):
    usual = CliRunner().invoke(main, ["inspect", str(SAMPLES / "lamp.csv")])
    result = CliRunner().invoke(main, [*words, str(SAMPLES / "lamp.csv")])
    assert result.stdout == usual.stdout
    assert "numpy" in result.stderr
    assert "lamp.csv: The axis is pixel number" in result.stderr
    again = CliRunner().invoke(main, ["inspect", str(SAMPLES / "lamp.csv")])
    assert again.stderr == ""


def test_quiet_and_verbose_exclude_each_other():
    result = CliRunner().invoke(main, ["-q", "inspect", "-v", str(SAMPLES / "lamp.csv")])
    assert result.exit_code == 2
    assert "exclude" in result.stderr


def walked(command):
    yield command
    for under in getattr(command, "commands", {}).values():
        yield from walked(under)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_the_shared_options_once(name):
    for command in walked(main.get_command(click.Context(main), name)):
        names = [opt for parameter in command.params for opt in parameter.opts]
        assert names.count("--quiet") == names.count("--verbose") == 1
        assert len(names) == len(set(names))


def completed(words, number):
    """Return what bash would be offered for the word of that number."""
    env = {**os.environ, "_GLOWLEDGER_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": str(number)}
    code = "import sys; sys.argv[0] = 'glowledger'; from glowledger.cli import main; main(prog_name='glowledger')"
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
    return [line.partition(",")[2] for line in done.stdout.splitlines()]


def test_commands_options_and_names_from_the_tables_are_completed():
    assert completed("glowledger ca", 1) == ["calibrate"]
    assert "--bench" in completed("glowledger identify x.csv --b", 3)
    assert set(completed("glowledger calibrate x.csv --lamp h", 4)) == {"h2", "he", "hg", "hg-ar"}
    assert completed("glowledger identify x.csv --window acr", 4) == ["acrylic"]
    assert completed("glowledger identify x.csv --species N2,O", 4)[:1] == ["N2,O I"]
    assert completed("glowledger guide first", 2) == ["first-evening"]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_script_of_a_shell_is_accepted_by_it(shell, tmp_path):
    result = CliRunner().invoke(main, ["--completion", shell])
    assert result.exit_code == 0, result.output
    assert "_GLOWLEDGER_COMPLETE" in result.stdout
    assert "glowledger" in result.stdout
    if shutil.which(shell) is None:
        return
    script = tmp_path / "completion"
    script.write_text(result.stdout, encoding="utf-8")
    subprocess.run([shell, "-n", str(script)], check=True)
    if shell == "bash":
        words = f"source {script}; complete -p glowledger"
        assert "glowledger" in subprocess.run(["bash", "-c", words], capture_output=True, text=True, check=True).stdout


def test_a_misspelt_command_is_answered_with_the_nearest():
    result = CliRunner().invoke(main, ["calibrat", "x.csv"])
    assert result.exit_code == 2
    assert "did you mean calibrate?" in result.stderr


