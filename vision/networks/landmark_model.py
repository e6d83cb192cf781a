"""The landmark models' native library: where its models lie, and how to keep it quiet.

The library writes start-up notes straight to the process's error stream and offers no switch for it.  Its stream is
therefore pointed at the null device while a model is opened and until it has once found something, which is as long as
it talks; afterwards nothing is redirected.  Its own clean-up fails when it runs as late as the interpreter's end (it
wants a thread pool that is gone by then), so an open model is kept until the process ends and frees everything.
"""

from __future__ import annotations

import ctypes
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from functools import cache
from importlib import import_module
from importlib.resources import as_file, files
from types import ModuleType
from typing import Any

import numpy as np

from calibration.arrays import Picture
from vision.networks.memory import let_go_of_file

_STDERR = 2  # the file descriptor (POSIX)
_redirecting = threading.Lock()


@contextmanager
def quiet_stderr() -> Iterator[None]:
    """Discard what native code writes to the error stream; one thread at a time."""
    with _redirecting:
        sys.stderr.flush()
        kept = os.dup(_STDERR)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, _STDERR)
            yield
        finally:
            os.dup2(kept, _STDERR)
            os.close(kept)
            os.close(nowhere)


@cache
def library() -> ModuleType:
    """The library, loaded when it is first needed, without what it never needs here.

    Half of the time of loading it goes into a plotting library for its drawings and an audio device for its sound
    models, neither of which is used.  They are made to look present, respectively absent, while it loads.
    """
    plotting, figures = ModuleType("matplotlib"), ModuleType("matplotlib.pyplot")
    plotting.pyplot = figures  # type: ignore[attr-defined]
    # None in the table of modules makes an import fail, which the library takes for a machine without sound
    stand_ins: dict[str, Any] = {"sounddevice": None, "matplotlib": plotting, "matplotlib.pyplot": figures}
    missing = {name: module for name, module in stand_ins.items() if name not in sys.modules}
    sys.modules.update(missing)
    try:
        return import_module("mediapipe")
    finally:
        for name in missing:
            del sys.modules[name]


def tasks() -> Any:
    """`mediapipe.tasks.python`, by way of `library`."""
    library()
    return import_module("mediapipe.tasks.python")


class LandmarkModel:
    """One model bundle, opened at its first use and kept until the process ends.

    Parameters
    ----------
    bundle : str
        File name in `vision/models`.
    opener : callable
        Takes the bundle's path and returns an open landmarker with ``detect``.
    """

    def __init__(self, bundle: str, opener: Callable[[str], Any]) -> None:
        self._bundle, self._opener = bundle, opener
        self._landmarker: Any = None
        self._warm = False
        self._busy = threading.Lock()  # a landmarker serves one picture at a time

    def detect(self, rgb: Picture, found: Callable[[Any], bool]) -> Any:
        """Run the model on an (H, W, 3) uint8 picture.

        Parameters
        ----------
        rgb : (H, W, 3) uint8 ndarray
            The picture.
        found : callable
            Says of a result whether it holds anything.
        """
        mediapipe = library()
        with self._busy:
            with nullcontext() if self._warm else quiet_stderr():
                if self._landmarker is None:
                    with as_file(files("vision") / "models" / self._bundle) as path:
                        self._landmarker = self._opener(str(path))
                    # one reference that is never given back: the failing clean-up does not run
                    ctypes.pythonapi.Py_IncRef(ctypes.py_object(self._landmarker))
                image = mediapipe.Image(
                    image_format=mediapipe.ImageFormat.SRGB, data=np.ascontiguousarray(rgb, dtype=np.uint8)
                )
                result = self._landmarker.detect(image)
            if not self._warm and found(result):
                self._warm = True
                let_go_of_file(self._bundle)  # its weights are unpacked by now
            return result
