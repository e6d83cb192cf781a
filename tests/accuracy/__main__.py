"""The accuracy benchmark: ``python -m tests.accuracy ../shared/scenes`` (options by ``--help``)."""

from __future__ import annotations

import argparse
import json
from importlib import import_module
from pathlib import Path

from tests.accuracy import arm
from tests.accuracy.table import print_table
from vision.arm import depth

PARTS = {
    **{part: part for part in ("arm", "instrument", "blank", "bent", "cut", "five", "prints", "sequences", "turned")},
    "views": "instrument_views",
}
"""Parts of the benchmark, and the module of each, which is loaded where it is asked for."""
USUAL = ("arm", "instrument", "blank")
"""Parts that run where none is named."""


def main() -> None:
    """Measure every scene and print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description=__doc__)
    parser.add_argument("scenes", type=Path, help="folder with the scenes, e.g. ../shared/scenes")
    parser.add_argument("--json", type=Path, help="write the table to this file as well")
    parser.add_argument("--only", choices=PARTS, help="one part of the benchmark")
    parser.add_argument(
        "--depth-network",
        type=int,
        choices=range(len(depth.MEMBERS)),
        help="ask this network of models/arm_depth.json alone; 1 never saw a picture of these scenes' renderer, nor "
        "did the neck's, so that arms are then measured on a renderer unknown to all that was learned",
    )
    options = parser.parse_args()
    if options.depth_network is not None:
        depth.MEMBERS = (options.depth_network,)
    if not options.scenes.is_dir():
        parser.error(f"there is no folder {options.scenes}")
    parts = [part for part in PARTS if part == options.only or (options.only is None and part in USUAL)]
    table = [row for part in parts for row in import_module(f"tests.accuracy.{PARTS[part]}").rows(options.scenes)]
    print("All lengths in mm; 95 % intervals; target: bias / median / 95th / covered / half-width.")
    print_table(table)
    for line in arm.criterion(table):
        print(line)
    if options.json:
        options.json.write_text(json.dumps([row.as_json() for row in table], indent=1))


if __name__ == "__main__":
    main()
