"""Follow a simulated recording in a process of its own, so that it can be killed: FOLDER_OR_FILE OUTPUT [BYTES].

Prints one JSON line per frame. BYTES limits the size of every file, as a full disk would. With KILL_AT_LINE in the
environment the process is killed while it gives out that line, after the frame is kept.
"""

import json
import os
import signal
import sys
from pathlib import Path

from glowledger.errors import GlowledgerError
from glowledger.live.following import Following, follow_run, settings_of
from glowledger.runs.run_options import RunOptions


def asked(path, folder, **more):
    return Following(
        path=Path(path), folder=Path(folder), choose=lambda model, series: RunOptions(candidates=model.joint),
        settings=settings_of(path=path), stages=(20,), species=("Ar I", "H I"), poll_s=0.02, **more,
    )  # fmt: skip


class Printer:
    def frame(self, number, line):
        if number == int(os.environ.get("KILL_AT_LINE", "0")):
            os.kill(os.getpid(), signal.SIGKILL)
        print(json.dumps({"frame": number, **line}), flush=True)

    def notice(self, text):
        print(json.dumps({"notice": text}), flush=True)

    def glows(self, seen):
        pass

    def waiting(self, since_s):
        pass


def main():
    if len(sys.argv) > 3:
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]),) * 2)
    try:
        ended = follow_run(asked(sys.argv[1], sys.argv[2], quiet_s=1.5), Printer())
    except GlowledgerError as error:
        print(type(error).__name__, error.paragraph(), file=sys.stderr)
        sys.exit(3)
    print(json.dumps({"ended": ended.why, "frames": ended.frames}), flush=True)


if __name__ == "__main__":
    main()
