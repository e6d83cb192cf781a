"""The network files as the runtime takes them."""

from pathlib import Path

import pytest

import vision

MODELS = sorted((Path(vision.__file__).parent / "models").glob("*.onnx"))
PAD_NODE = b"\x22\x03Pad"
"""How a node's kind stands in an ONNX file: field 4, a text of three letters."""


@pytest.mark.parametrize("file", MODELS, ids=lambda file: file.stem)
def test_convolutions_pad_by_themselves(file: Path) -> None:
    """A padding of its own copies the whole picture three times: a sixth of a network's time."""
    content = file.read_bytes()
    assert PAD_NODE.replace(b"\x03Pad", b"\x04Conv") in content
    assert PAD_NODE not in content
