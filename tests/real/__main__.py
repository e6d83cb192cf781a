"""Real photographs with labels.

``python -m tests.real FOLDER [--json FILE] [--only people|violins] [--ways] [--laid]``

FOLDER holds people.json and violins.json, either of which may be absent, and the pictures they name below people/ and
violins/.  A person's entry has ``file``, ``view``, ``points`` (x, y in px of side_neck, shoulder, elbow, wrist and
mid_palm, each with _L or _R for the person's own left or right) and ``flags`` (``side_neck_L``: "visible" or
"hidden:by what"; ``arm_L`` where the arm is to be compared).  A violin's has ``file``, outlines ``body`` and
``instrument`` and lengths ``body_px`` and ``total_px``.  Of people all errors are in per cent of the labelled distance
from neck to palm, median / 95th percentile; of violins in per cent of each length.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tests.real import laid, people, violins
from tests.real.table import Line, print_lines
from tests.real.ways import in_all_ways


def main() -> None:
    """Measure every photograph and print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.real", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, help="folder with the indices and the pictures")
    parser.add_argument("--json", type=Path, help="write every reading to this file as well")
    parser.add_argument("--only", choices=["people", "violins"], help="one half of the table")
    parser.add_argument("--ways", action="store_true", help="read each photograph turned, mirrored, darker ... as well")
    parser.add_argument("--laid", action="store_true", help="lay a sheet beside each violin and measure it as a user's")
    options = parser.parse_args()
    indices = {
        kind: json.loads(file.read_text())
        for kind in ("people", "violins")
        if options.only in (None, kind) and (file := options.folder / f"{kind}.json").is_file()
    }
    if not indices:
        parser.error(f"there is neither people.json nor violins.json in {options.folder}")
    with TemporaryDirectory() as changed:
        folder = options.folder
        if options.ways:
            folder = Path(changed)
            indices = {
                kind: in_all_ways(index, options.folder / kind, folder / kind) for kind, index in indices.items()
            }
        lines, readings = _read(indices, folder, options.laid)
    print()
    print_lines(lines)
    if options.json:
        readings["table"] = {line.what: line.measured for line in lines}
        options.json.write_text(json.dumps(readings, indent=1))


def _read(indices: dict[str, Any], folder: Path, with_sheet: bool) -> tuple[list[Line], dict[str, Any]]:
    """Read and print every photograph; the table's lines, and plain values."""
    lines: list[Line] = []
    readings: dict[str, Any] = {}
    if "people" in indices:
        arms = people.read_people(indices["people"], folder / "people")
        for arm in arms:
            print(_arm_line(arm))
        lines += people.people_lines(arms)
        readings["people"] = people.as_json(arms)
    if "violins" in indices:
        instruments = violins.read_violins(indices["violins"], folder / "violins")
        for instrument in instruments:
            print(_violin_line(instrument))
        lines += violins.violin_lines(instruments)
        readings["violins"] = violins.as_json(instruments)
    if "violins" in indices and with_sheet:
        beside = laid.read_laid(indices["violins"], folder / "violins")
        for one in beside:
            print(laid.laid_line(one))
        lines += laid.laid_lines(beside)
        readings["laid"] = laid.as_json(beside)
    return lines, readings


def _arm_line(arm: people.ArmReading) -> str:
    errors = "  ".join(f"{name} {point.size:4.1f}" for name, point in arm.points.items())
    neck = f"{'seen' if arm.neck_seen else 'inferred'} ({arm.neck_label})"
    return f"{arm.photo:24} {arm.side:5} {arm.view:7} {errors}  neck {neck}; {' | '.join(arm.chains)}"


def _violin_line(one: violins.ViolinReading) -> str:
    errors = "  ".join("     -" if error is None else f"{error:+6.2f}" for error in (one.body_error, one.total_error))
    return (
        f"{one.photo:24} {one.body_overlap:.3f} {one.whole_overlap:.3f}  {errors}  {one.refused} {' '.join(one.flags)}"
    )


if __name__ == "__main__":
    main()
