"""README's generated blocks: ``python -m tests.readme`` writes them anew; a test compares them.

The accuracy tables come from ``tests/accuracy/measured.json``, which ``python -m tests.accuracy ../shared/scenes --json
tests/accuracy/measured.json`` writes; the speed table from ``tests/speed/measured.json``, which ``python -m
tests.speed --json tests/speed/measured.json`` writes; the shares of good instruments from ``tests/fit_actions.json``,
which ``python -m tests.fit_actions --json tests/fit_actions.json`` writes; commands, losses and actions come from the
program itself.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import click

from service.cli.main import commands
from service.fit.chart_table import default_chart
from service.fit.decision import Action
from service.fit.explanation import ACTION_NAMES
from service.fit.losses import LOSS_WORDS, LOSSES
from tests.fit_actions import MEASURED as ACTIONS_MEASURED
from tests.fit_actions import WIDTHS_MM, action_ranges

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
MEASURED = ROOT / "tests" / "accuracy" / "measured.json"
SPEED = ROOT / "tests" / "speed" / "measured.json"
SHOWN = ("arm", "body_length", "total_length")


def accuracy_block(measured: Path = MEASURED) -> str:
    """The accuracy table of the main lengths."""
    lines = [
        "| what | condition | length | scenes | refused | bias | median | 95th | covered | half-width |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for row in json.loads(measured.read_text()):
        if row["quantity"] in SHOWN and row["median_mm"] is not None:
            numbers = [_number(row[name]) for name in ("bias_mm", "median_mm", "p95_mm")]
            covered = "-" if row["covered"] is None else f"{100 * row['covered']:.0f} %"
            cells = [row["kind"], row["condition"], row["quantity"].replace("_", " "), row["n"], row["refused"]]
            lines.append("| " + " | ".join(map(str, [*cells, *numbers, covered, _number(row["half_width_mm"])])) + " |")
    return "\n".join(lines)


def speed_block() -> str:
    """The speed table: medians on the machine that printed them."""
    measured = json.loads(SPEED.read_text())
    lines = [f"| what ({measured['machine']}) | median | runs |", "|---|---|---|"]
    for row in measured["rows"]:
        seconds = row["median_s"]
        shown = f"{seconds:.2f} s" if seconds >= 0.1 else f"{1000 * seconds:.1f} ms"
        lines.append(f"| {row['what']} | {shown} | {row['runs']} |")
    return "\n".join(lines)


def commands_block() -> str:
    """The commands with their one-line help."""
    context = click.Context(commands)
    lines = ["| command | what it does |", "|---|---|"]
    lines += [f"| `scrollreach {name}` | {commands.later[name].words} |" for name in commands.list_commands(context)]
    return "\n".join(lines)


def losses_block() -> str:
    """The table of losses by which an action is chosen."""
    lines = ["| loss | days | for |", "|---|---|---|"]
    lines += [f"| `{name}` | {getattr(LOSSES, name):g} | {words.text()} |" for name, words in LOSS_WORDS.items()]
    return "\n".join(lines)


def actions_block() -> str:
    """For each size of the chart, for which arms each action is said, for an arm by photo and by tape."""
    chart = default_chart()
    columns = (Action.WAIT, Action.SMALLER, Action.ASK_SIGNS, Action.MEASURE, Action.TRY, Action.TAKE, Action.LARGER)
    lines = [
        "| size | arm | " + " | ".join(ACTION_NAMES[each].text() for each in columns) + " |",
        "|---|---|" + "---|" * len(columns),
    ]
    said = {expanded: action_ranges(chart, expanded) for expanded in WIDTHS_MM}
    for place, row in enumerate(chart.rows):
        for expanded, sizes in said.items():
            cells = [_range(sizes[place].get(action)) for action in columns]
            lines.append(f"| {row.size} | ±{expanded:g} mm | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def good_block() -> str:
    """What the three ways to choose come to, as `python -m tests.fit_actions --json` kept it."""
    measured = json.loads(ACTIONS_MEASURED.read_text())
    ways = {"chart": "the chart read naively", "claims": "only what is claimed to fit", "actions": "this program"}
    lines = [
        f"| arm, {measured['children']} children each | way to choose | good | too large, of those taken | nothing |",
        "|---|---|---|---|---|",
    ]
    for each in measured["rows"]:
        shares = [f"{100 * each[name]:.1f} %" for name in ("good", "too_large", "nothing")]
        lines.append(f"| ±{each['expanded_mm']:g} mm | {ways[each['way']]} | " + " | ".join(shares) + " |")
    return "\n".join(lines)


BLOCKS = {
    "losses": losses_block,
    "actions": actions_block,
    "good": good_block,
    "accuracy": accuracy_block,
    "commands": commands_block,
    "speed": speed_block,
}


def with_blocks(text: str) -> str:
    """README's text with every generated block written anew."""
    for name, make in BLOCKS.items():
        start, end = f"<!-- {name}: generated -->\n", f"\n<!-- {name}: end -->"
        before, rest = text.split(start)
        text = before + start + make() + end + rest.split(end)[1]
    return text


def _range(runs: list[tuple[int, int]] | None) -> str:
    return ", ".join(f"{first}-{last}" for first, last in runs or ()) or "-"


def _number(value: Any) -> str:
    return "-" if value is None else f"{value:.1f}"


if __name__ == "__main__":
    argparse.ArgumentParser(prog="python -m tests.readme", description=__doc__).parse_args()
    README.write_text(with_blocks(README.read_text()))
