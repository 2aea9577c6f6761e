"""Run one survey in a process of its own: ``python -m tests.wiring.survey_run FOLDER TABLE ...``.

Prints a line for each song that is done, so that whoever started it can act half-way. Further words
are ``processes=N``, ``cluster=ADDRESS``, ``tls=FOLDER``, ``sheet=PATH`` and ``connect=SECONDS``.
"""

from __future__ import annotations

import sys
from pathlib import Path

from knobwright.core.errors import KnobwrightError
from knobwright.engine.survey import Progress
from knobwright.wiring import cluster
from knobwright.wiring.survey import Scheduler, Wanted, run_survey
from knobwright.wiring.survey_work import Asked, make_setup


def main(folder: str, table: str, *words: str) -> int:
    """Run it; return 1 and print the error where there is one."""
    given = dict(word.split("=", 1) for word in words)
    scheduler = None
    if "cluster" in given:
        tls = None
        if "tls" in given:
            place = Path(given["tls"])
            tls = (str(place / "ca.pem"), str(place / "cert.pem"), str(place / "key.pem"))
        scheduler = Scheduler(given["cluster"], tls)
        cluster._CONNECT_S = float(given.get("connect", "15"))
    setup = make_setup(given.get("sheet"), None, Asked())
    wanted = Wanted(folder, table, setup, int(given.get("processes", "1")), scheduler)

    def tell(progress: Progress) -> None:
        print(f"done {progress.n_done} of {progress.n_songs}", flush=True)

    try:
        run_survey(wanted, tell, lambda path, why: print(path, why, flush=True))
    except KnobwrightError as error:
        print(f"error {error}", flush=True)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
