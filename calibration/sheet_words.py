"""The words on the printed sheet."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SheetWords:
    """What is written on the sheet, in one language; each text is a tuple of lines."""

    title: str
    bar: str
    print_heading: str
    print_steps: tuple[str, ...]
    card_note: tuple[str, ...]
    child_heading: str
    child_steps: tuple[str, ...]
    instrument_heading: str
    instrument_steps: tuple[str, ...]


WORDS = {
    "en": SheetWords(
        title="Reference sheet",
        bar="{length} mm",
        print_heading="1  Print",
        print_steps=(
            "Print at 100% (“actual size”), in black,",
            "on flat paper. Both bars with end marks",
            "must be {length} mm long: check them with",
            "a ruler, and tell us if they are not.",
        ),
        card_note=(
            "If you like: lay a blank plastic card",
            "in the middle of this black frame.",
            "Never a bank card or identity card.",
        ),
        child_heading="2  The child",
        child_steps=(
            "Sheet flat on the wall at shoulder",
            "height, a second one near the hand.",
            "Back and back of the hand touch",
            "the wall, palm to the camera.",
            "Camera opposite the shoulder,",
            "1.5 to 2.5 m away.",
        ),
        instrument_heading="3  The instrument",
        instrument_steps=(
            "Sheet flat beside it, both",
            "wholly in the picture.",
            "Photo from straight above.",
        ),
    ),
    "de": SheetWords(
        title="Maßblatt",
        bar="{length} mm",
        print_heading="1  Drucken",
        print_steps=(
            "Mit 100 % („tatsächliche Größe“) drucken,",
            "schwarz, auf glattes Papier. Beide Balken",
            "müssen {length} mm lang sein: mit dem Lineal",
            "prüfen; wenn nicht, uns das Maß nennen.",
        ),
        card_note=(
            "Wer mag: eine leere Plastikkarte",
            "mitten in diesen Rahmen legen.",
            "Nie eine Bank- oder Ausweiskarte.",
        ),
        child_heading="2  Das Kind",
        child_steps=(
            "Blatt flach an der Wand, auf Schulter-",
            "höhe, ein zweites nahe der Hand.",
            "Rücken und Handrücken an der Wand,",
            "Handfläche zur Kamera.",
            "Kamera gegenüber der Schulter,",
            "1,5 bis 2,5 m entfernt.",
        ),
        instrument_heading="3  Das Instrument",
        instrument_steps=(
            "Blatt flach daneben, beide",
            "ganz im Bild.",
            "Foto senkrecht von oben.",
        ),
    ),
}
"""Words by language code."""
