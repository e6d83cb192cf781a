"""Everything that the first photo would wait for, loaded beforehand."""

from __future__ import annotations

from vision.arm import depth
from vision.instrument import edge_net, net
from vision.instrument.shape import outline_prior
from vision.networks.landmark_model import library
from vision.networks.session import session
from vision.person import neck_net

NETWORKS = (net.MODEL, edge_net.MODEL, depth.MODEL, neck_net.MODEL)
"""Files of our own networks; the landmark models have threads and are opened where they run."""


def load() -> None:
    """Load the networks, the outline's family and the landmark models' library."""
    library()
    outline_prior()
    for path in NETWORKS:
        session(path)
