"""The words on the printed sheet: whole sentences, broken into lines where they are drawn."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SheetWords:
    """What is written on the sheet, in one language."""

    title: str
    bar: str
    print_heading: str
    print_steps: str
    card_note: str
    child_heading: str
    child_steps: str
    instrument_heading: str
    instrument_steps: str


WORDS = {
    "en": SheetWords(
        title="Scrollreach",
        bar="{length} mm",
        print_heading="1  Print",
        print_steps="At 100%, in black, on flat paper. Lay a ruler along the bar above: it must be {length} mm long. "
        "If it is not, tell us how long it is.",
        card_note="If you like: a blank plastic card laid in the middle of this frame makes it more exact. Never a "
        "bank card or identity card.",
        child_heading="2  The child",
        child_steps="This sheet flat on the wall, a little above the shoulder. Back and back of the hand on the wall, "
        "arm straight out, palm to the camera. Camera 1.5 to 2.5 m away.",
        instrument_heading="3  The instrument",
        instrument_steps="Instrument on its back, this sheet flat beside it, both wholly in the picture. Camera "
        "straight above.",
    ),
    "de": SheetWords(
        title="Scrollreach",
        bar="{length} mm",
        print_heading="1  Drucken",
        print_steps="Mit 100 %, schwarz, auf glattes Papier. Ein Lineal an den Balken oben legen: Er muss {length} mm "
        "lang sein. Wenn nicht, uns sagen, wie lang er ist.",
        card_note="Wer mag: Eine leere Plastikkarte mitten in diesem Rahmen macht es genauer. Nie eine Bank- oder "
        "Ausweiskarte.",
        child_heading="2  Das Kind",
        child_steps="Dieses Blatt flach an die Wand, etwas über der Schulter. Rücken und Handrücken an der Wand, Arm "
        "gerade zur Seite, Handfläche zur Kamera. Kamera 1,5 bis 2,5 m entfernt.",
        instrument_heading="3  Das Instrument",
        instrument_steps="Instrument auf dem Rücken, dieses Blatt flach daneben, beide ganz im Bild. Kamera senkrecht "
        "darüber.",
    ),
}
"""Words by language code."""
