"""Running a network: each file is loaded once a process, on the processor alone."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import onnxruntime


@cache
def session(path: Path) -> onnxruntime.InferenceSession:
    """Load a network once, to run in one thread.

    Parameters
    ----------
    path : Path
        The ONNX file.

    Returns
    -------
    onnxruntime.InferenceSession
    """
    _share_memory()
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    # a plan of memory would be kept for every size of input that a network has ever seen
    options.enable_mem_pattern = False
    options.add_session_config_entry("session.use_env_allocators", "1")
    return onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])


@cache
def _share_memory() -> None:
    """Let all networks work in one store of memory: it keeps what it once had, and they run one after the other."""
    where = onnxruntime.OrtMemoryInfo(
        "Cpu", onnxruntime.OrtAllocatorType.ORT_ARENA_ALLOCATOR, 0, onnxruntime.OrtMemType.DEFAULT
    )
    no_limit, usual = 0, -1
    onnxruntime.create_and_register_allocator(where, onnxruntime.OrtArenaCfg(no_limit, usual, usual, usual))
