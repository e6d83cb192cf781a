"""The command: see the package's own words."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from scipy.stats import binomtest

from tests.mutation.mutants import Mutant, mutants_of, sampled
from tests.mutation.rooms import ROOMS
from tests.mutation.running import share_imports, traced, verdicts

SURVIVORS = Path(__file__).parent / "survivors"
_UNEXPLAINED = "no reason yet"


def main() -> int:
    """Try a sample of changes; 0 where the share noticed reaches what is asked."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("room", choices=ROOMS)
    parser.add_argument("--sample", type=int, help="how many changes to try; all where left out")
    parser.add_argument("--seed", type=int, default=1, help="which sample")
    parser.add_argument("--workers", type=int, default=2, help="tries at a time")
    parser.add_argument("--only", default="", help="only modules whose name ends like this, e.g. camera")
    parser.add_argument("--least", type=float, default=0.0, help="fail below this share noticed, e.g. 0.9")
    parser.add_argument("--write", action="store_true", help="write survivors/ROOM.md, keeping reasons given there")
    options = parser.parse_args()
    room = ROOMS[options.room]
    modules = {name: path for name, path in room.modules().items() if name.endswith(options.only)}
    every = [mutant for name, path in modules.items() for mutant in mutants_of(name, path)]
    chosen = sampled(every, options.sample, options.seed)
    share_imports()
    trace = traced(room)
    print(f"{len(trace.seconds)} tests, {sum(trace.seconds.values()):.0f} s; {len(chosen)} of {len(every)} changes")
    reasons = _reasons(options.room)
    survivors = []
    for number, (mutant, noticed) in enumerate(verdicts(chosen, room, trace, options.workers), start=1):
        if not noticed:
            survivors.append(mutant)
            where = f"{mutant.path.name}:{mutant.lines.start}"
            print(f"[{number}] {where}: {mutant.key} ({reasons.get(mutant.key, 'survives')})")
        elif number % 10 == 0:
            print(f"[{number}]")
        sys.stdout.flush()
    noticed_share = 1 - len(survivors) / max(len(chosen), 1)
    interval = binomtest(len(chosen) - len(survivors), max(len(chosen), 1)).proportion_ci(method="wilson")
    print(
        f"{options.room}: {len(chosen) - len(survivors)} of {len(chosen)} noticed, {noticed_share:.1%}"
        f" (95 % of all: {interval.low:.0%} to {interval.high:.0%}); sample {options.sample}, seed {options.seed}"
    )
    if options.write:
        _write(options.room, survivors, reasons, f"{noticed_share:.1%} of {len(chosen)}", options)
    return 0 if noticed_share >= options.least else 1


def _reasons(room: str) -> dict[str, str]:
    """Reasons given so far, by the change's key."""
    path = SURVIVORS / f"{room}.md"
    lines = path.read_text().splitlines() if path.exists() else []
    pairs = (line[2:].rsplit(" - ", 1) for line in lines if line.startswith("- "))
    return {pair[0]: pair[1] for pair in pairs if len(pair) == 2 and pair[1] != _UNEXPLAINED}


def _write(
    room: str, survivors: Sequence[Mutant], reasons: Mapping[str, str], share: str, options: argparse.Namespace
) -> None:
    command = f"python -m tests.mutation {room} --sample {options.sample} --seed {options.seed} --write"
    lines = [
        f"# Changes in {room} that no test notices",
        "",
        f"Printed by `{command}`: {share} changes were noticed. The reasons are kept by hand.",
        "",
    ]
    keys = dict.fromkeys(mutant.key for mutant in survivors)
    lines += [f"- {key} - {reasons.get(key, _UNEXPLAINED)}" for key in keys]
    (SURVIVORS / f"{room}.md").write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    raise SystemExit(main())
