"""The command `gonogo` as if it began at another moment, its worker processes too.

    GONOGO_TEST_MOMENT=2026-05-12T10:00+00:00 python tests/at_moment.py morning --config FOLDER

What a benchmark says must not go by the day on which it is run: the weather is that of one day.
"""

from __future__ import annotations

import os
import time
from datetime import datetime, timedelta

import time_machine

# Worker processes run these lines too, later than the command did: their clock is the command's.
really_began_s = float(os.environ.setdefault("GONOGO_TEST_REALLY_BEGAN_S", str(time.time())))
elapsed = timedelta(seconds=time.time() - really_began_s)
time_machine.travel(datetime.fromisoformat(os.environ["GONOGO_TEST_MOMENT"]) + elapsed, tick=True).start()

if __name__ == "__main__":
    from gonogo.__main__ import main

    main()
