"""The catalogues use the words of the glossary."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.words import i18n

GLOSSARY = Path(i18n.__file__).parent / "glossary.md"
ROWS = [
    [cell.strip() for cell in line.strip("|").split("|")]
    for line in GLOSSARY.read_text(encoding="utf-8").splitlines()
    if line.startswith("| ") and not line.startswith("| en |")
]
HEAD = ["en", "de", "fr", "es", "it", "nl", "pl", "ja", "zh", "ar"]
SHEETS_OWN = "Reference sheet"
"""Written on the sheet itself, whose words are in `calibration.sheet_words`."""


def test_every_language_has_its_column() -> None:
    assert set(i18n.LANGUAGES) <= set(HEAD)
    assert all(len(row) == len(HEAD) and all(row) for row in ROWS)


@pytest.mark.parametrize("language", [each for each in i18n.LANGUAGES if each != i18n.SOURCE_LANGUAGE])
def test_the_catalogue_uses_the_terms(language: str) -> None:
    catalogue = i18n.read_catalogue(language)
    place, unused = HEAD.index(language), []
    for row in ROWS:
        said = [str(message.string) for message in catalogue if row[0].lower() in str(message.id).lower()]
        if row[0] != SHEETS_OWN and not any(row[place].lower() in text.lower() for text in said):
            unused.append((row[0], row[place], said[:1]))
    assert unused == []
