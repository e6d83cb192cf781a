"""The command that makes the sheet to print: `sheet`."""

from __future__ import annotations

from pathlib import Path

import click

from service.cli.options import SheetFile, language_option, write
from service.cli.words import _


@click.command()
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", help="Paper size.")
@click.option(
    "--index",
    type=click.IntRange(1, 4),
    default=1,
    help="Which of four different sheets; several in one photo need different ones.",
)
@click.option(
    "--format", "form", type=click.Choice(["pdf", "png"]), help="Kind of file; if not said, what --out ends in, or PDF."
)
@click.option("--dpi", type=click.IntRange(72, 1200), default=300, help="Dots per inch of a PNG.")
@language_option
@click.option("--out", required=True, type=SheetFile(), help="File to write.")
def sheet(paper: str, index: int, form: str | None, dpi: int, language: str, out: Path) -> None:
    """Make the reference sheet to print, at true size."""
    from calibration.sheet import Paper, SheetLayout
    from calibration.sheet_drawing import sheet_pdf, sheet_png

    layout = SheetLayout(Paper(paper), index)
    form = form or ("png" if out.suffix.lower() == ".png" else "pdf")
    write(out, sheet_pdf(layout, language) if form == "pdf" else sheet_png(layout, dpi, language))
    said = _("Sheet {sheet} written to {file}. Print it at 100% and check its bars with a ruler.")
    click.echo(said.format(sheet=layout.name, file=out))
