"""Running a network: each file is loaded once a process, on the processor alone."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import onnxruntime


@cache
def session(path: Path, threads: int) -> onnxruntime.InferenceSession:
    """Load a network once per number of threads.

    Parameters
    ----------
    path : Path
        The ONNX file.
    threads : int
        Threads it may use.

    Returns
    -------
    onnxruntime.InferenceSession
    """
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    return onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
