"""Type hints reach those who build on the package: a small consumer is checked, and its mistakes are found."""

import subprocess
import sys
from pathlib import Path

import glowledger

CONSUMER = '''
from pathlib import Path

import glowledger as g


def contaminants(file: Path) -> dict[str, float]:
    frames: g.Frames = g.read_spectra(file, axis_unit="nm")
    fit: g.Fit = g.identify_frame(g.mean_frame(frames))
    return {one.name: one.significance for one in fit.species if one.verdict == "present"}


def seconds_left(run: Path, bench: Path) -> float:
    frames = g.read_calibrated(run, bench=bench)
    result: g.RunResult = g.analyse_run(g.fit_series(frames), g.RunOptions(reference="Ar I"))
    return result.duration_s


try:
    contaminants(Path("glow.csv"))
except g.ReadError as error:
    text: str = error.mend
'''
MISTAKES = '''
import glowledger as g

frames: int = g.read_spectra("glow.csv")
g.identify_frame("glow.csv")
g.no_such_name
'''


def checked(text, folder):
    """Return what mypy, strict, says of a program that imports the package as users do."""
    (folder / "consumer.py").write_text(text, encoding="utf-8")
    words = [sys.executable, "-m", "mypy", "--strict", "--no-error-summary", "--cache-dir", str(folder), "consumer.py"]
    return subprocess.run(words, cwd=folder, capture_output=True, text=True)


def test_a_consumer_type_checks_and_mistakes_are_found(tmp_path):
    done = checked(CONSUMER, tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    found = checked(MISTAKES, tmp_path).stdout
    assert "assignment" in found
    assert "arg-type" in found
    assert "attr-defined" in found


def test_the_mark_of_typed_packages_is_shipped():
    assert (Path(glowledger.__file__).parent / "py.typed").is_file()


def test_every_name_of_the_interface_exists_and_is_shown_to_type_checkers():
    text = Path(glowledger.__file__).read_text(encoding="utf-8")
    for module, names in glowledger.INTERFACE.items():
        for name in names:
            assert getattr(glowledger, name).__name__ == name
            assert f"from glowledger.{module} import {name} as {name}\n" in text
            assert name in dir(glowledger)
