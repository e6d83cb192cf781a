"""How much the service measures, what twice as much does to families, and whether its memory stays.

``python -m tests.load [--seconds 180] [--clients 50] [--memory 2000] [--ratio]`` prints each figure beside its bound,
and ends with 1 where one is missed; ``--seconds 0`` leaves the first trial out.  Capacity is measured with families
alone; then come all kinds of visitors at once, who ask for more than twice of it.  What else the machine does meanwhile
counts against the service: the load before is printed.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter

import numpy as np

from tests.load.clients import Seen, Visitor, family, page, pausing_family, shop, stranger, visit
from tests.load.town import memory_bytes, processor_s, said, town

WARM_S, RAMP, RATIO_S = 6.0, 3, 60.0
EVERY, LATEST, LEAST_WARM, LONGEST_S = 100, 2, 4, 7200.0
"""Photos between two looks at the memory; looks of which the larger counts, since a worker that was just renewed has
less; photos before the first at least; and the longest that a look is waited for, s."""
FAMILY_BOUND, PAGE_BOUND_S, MEMORY_BOUND, RATIO_BOUND = 2.0, 0.1, 0.05, 1.8
"""Family's 95th percentile over its unloaded one, a page's 95th percentile, growth of memory, two workers over one: the
bounds that the service was built for."""
ASKED_BOUND = 2.0
"""Photos asked for over the capacity, at least: less would be no load."""


def p95(seen: Seen, who: str, percent: float = 95.0) -> float:
    """95th (or another) percentile of what a kind of visitor waited, s; nan where none came through."""
    waited = seen.seconds.get(who, [])
    return float(np.percentile(waited, percent)) if waited else float("nan")


def spread(seen: Seen, who: str) -> str:
    """Median and 95th percentile of what a kind of visitor waited, in words."""
    return f"{who}: median {p95(seen, who, 50):.3f} s, 95 % {p95(seen, who):.3f} s"


def mixed(clients: int) -> list[Visitor]:
    """Visitors of all kinds: a few families, a fifth readers of pages, two fifths strangers, the rest the shop.

    Families are one in twenty-five and pause between their photos, so that they alone do not fill the service: what is
    asked is whether strangers and shop, who do, keep them waiting.
    """
    families, fifth = max(1, clients // 25), max(1, clients // 5)
    others = max(1, clients - families - 3 * fifth)
    return [pausing_family] * families + [page] * fifth + [stranger] * (2 * fifth) + [shop] * others


def _counted(visitors: list[Visitor]) -> list[tuple[str, int]]:
    names = Counter(visitor.__name__.replace("_", " ") for visitor in visitors)
    return sorted(names.items())


def under_load(seconds: float, clients: int, workers: int) -> bool:
    """Capacity, then twice of it and more; whether every bound is met."""
    with town(workers) as (place, _):
        visit(place, [family], WARM_S)
        alone = visit(place, [family], max(seconds / RAMP, WARM_S))
        full = visit(place, [family] * (workers + 1), max(seconds / RAMP, WARM_S))
        capacity = len(full.seconds.get("family", [])) / max(seconds / RAMP, WARM_S)
        print(f"capacity: {capacity:.2f} photos/s with {workers} workers")
        print("alone:", spread(alone, "family"))
        print("visitors:", ", ".join(f"{count} {name}" for name, count in _counted(mixed(clients))))
        print("(one visitor in 25 is a family: more of them would fill the service by themselves)")
        seen = visit(place, mixed(clients), seconds)
    ratio = p95(seen, "family") / p95(alone, "family")
    asked = sum(count for what, count in seen.answers.items() if not what.startswith("page")) / seconds
    print("under load:", "; ".join(spread(seen, who) for who in sorted(seen.seconds)))
    print("answers:", ", ".join(f"{what}: {count}" for what, count in sorted(seen.answers.items())))
    return all(
        (
            said(
                "asked for over capacity, at least",
                -asked / capacity,
                -ASKED_BOUND,
                f"{asked / capacity:.1f}, {asked:.1f} photos/s",
            ),
            said("failed requests", len(seen.failed), 0, f"{len(seen.failed)} {seen.failed[:3]}"),
            said("family's p95 over the unloaded", ratio, FAMILY_BOUND, f"{ratio:.2f}"),
            said("a page's p95, s", p95(seen, "page"), PAGE_BOUND_S, f"{p95(seen, 'page'):.3f}"),
        )
    )


def over_many(photos: int, workers: int) -> bool:
    """Whether memory stays the same over many photos, after the first tenth of them; printed every so many."""
    with town(workers) as (place, pid):
        visit(place, [shop] * workers, LONGEST_S, max(photos // 10, LEAST_WARM))
        kept = [sum(memory_bytes(pid))]
        for begun in range(0, photos, EVERY):
            seen = visit(place, [shop] * workers, LONGEST_S, min(EVERY, photos - begun))
            each = memory_bytes(pid)
            kept.append(sum(each))
            shares = ", ".join(f"{size / 2**20:.0f}" for size in each)
            print(f"after {min(begun + EVERY, photos)} photos: {kept[-1] / 2**20:.0f} MiB ({shares})", flush=True)
            if seen.failed:
                print(f"failed: {seen.failed[:3]}")
    growth = max(kept[-LATEST:]) / kept[0] - 1
    return said("growth of memory", growth, MEMORY_BOUND, f"{growth:+.1%} of {kept[0] / 2**20:.0f} MiB")


def two_over_one(seconds: float) -> bool:
    """Whether two workers measure nearly twice as much as one, on a machine with two processors or more."""
    rates = []
    for workers in (1, 2):
        with town(workers) as (place, pid):
            visit(place, [shop] * workers, WARM_S)
            begun, before = time.perf_counter(), (*processor_s(pid), time.process_time())
            seen = visit(place, [shop] * (workers + 1), seconds)
            measured = len(seen.seconds.get("shop", []))
            rates.append(measured / (time.perf_counter() - begun))
            after = (*processor_s(pid), time.process_time())
            answering, measuring, visiting = ((b - a) / max(measured, 1) for a, b in zip(before, after, strict=True))
            print(
                f"processor time of a photo with {workers} at work: measuring {measuring:.3f} s, answering "
                f"{answering:.3f} s, visiting {visiting:.3f} s"
            )
    ratio = rates[1] / rates[0] if rates[0] else float("nan")
    print(f"one worker {rates[0]:.2f}, two {rates[1]:.2f} photos/s")
    return said("two workers over one, at least", -ratio, -RATIO_BOUND, f"{ratio:.2f}")


def main() -> int:
    """Run the trials; the exit status."""
    options = argparse.ArgumentParser(prog="python -m tests.load", description=__doc__)
    options.add_argument("--seconds", type=float, default=180.0, help="how long twice the capacity is asked for")
    options.add_argument("--clients", type=int, default=50, help="visitors at the same time")
    options.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="measuring processes")
    options.add_argument(
        "--memory", type=int, default=0, help="also measure so many photos and print the memory every 100"
    )
    options.add_argument("--ratio", action="store_true", help="also compare two workers with one")
    asked = options.parse_args()
    print(f"load of the machine before, over a minute: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    met = under_load(asked.seconds, asked.clients, asked.workers) if asked.seconds else True
    if asked.memory:
        met &= over_many(asked.memory, asked.workers)
    if asked.ratio:
        met &= two_over_one(max(asked.seconds / RAMP, RATIO_S))
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
