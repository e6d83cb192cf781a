"""The landmark models' library: loaded without what it never needs, and nothing else is harmed by that."""

import subprocess
import sys

PROGRAM = """
import sys
from vision.networks.landmark_model import library, tasks
assert tasks().vision.PoseLandmarker is library().tasks.vision.PoseLandmarker
assert not {"matplotlib", "matplotlib.pyplot", "sounddevice"} & set(sys.modules)
import matplotlib.pyplot
assert callable(matplotlib.pyplot.figure)
"""


def test_the_library_loads_without_plots_and_sound():
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
