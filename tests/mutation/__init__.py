"""What the tests of a numerical room notice: terms of its code are changed one at a time, and its fast tests run.

    python -m tests.mutation calibration --sample 150 --seed 1

prints the share of changes that made a test fail and every change that did not, and with `--write` puts the survivors
into `tests/mutation/survivors/ROOM.md`, where each has a reason to stay.

Two libraries were looked at.  mutmut 3.8 changes neither constants of a module nor functions with a decorator
(properties, cached functions), where most of a measuring room's numbers stand, and draws no samples.  cosmic-ray 8.7
changes the files of the checkout in place and starts an interpreter a change, three seconds of imports each.  So the
changes are made here, on the syntax tree, in the memory of a forked process: no file is ever written, and the imports
are shared.  The room's tests run once unchanged, noting which lines each runs; a change is then tried on the tests
that run its lines only, the quickest first.  Tests that look at the clock are left out (marked `timed`): noting lines
slows them down, and a change that is only slow measures no worse.
"""

import os

# before anything loads them, as in tests/conftest.py, which comes too late here
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
