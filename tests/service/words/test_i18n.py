"""The message catalogue: nothing untranslated, nothing broken, nothing left over."""

import re

import pytest
from babel.numbers import format_percent

from service.fit.causes import cause
from service.measuring.outcome import ArmQuestion, InstrumentQuestion
from service.measuring.results import ARM_LENGTHS, INSTRUMENT_LENGTHS
from service.measuring.work import measure_arm_photo, measure_instrument_photos
from service.words import extracting, i18n
from tests.service.catalogue import OTHERS, ROOT, source_strings

PLACES = re.compile(r"\{\w*(?:!r)?\}|%\(\w+\)s|%%")


@pytest.mark.parametrize("language", OTHERS)
def test_every_source_string_is_translated(language):
    assert i18n.missing(language, source_strings()) == [], (
        "run `python -m service.words.i18n update` and translate what is empty"
    )


@pytest.mark.parametrize("language", OTHERS)
def test_translations_keep_the_places_for_values(language):
    for message in i18n.read_catalogue(language):
        if message.id and message.string:
            assert sorted(PLACES.findall(message.string)) == sorted(PLACES.findall(message.id)), message.id


@pytest.mark.parametrize("language", OTHERS)
def test_no_translation_is_left_over(language):
    known = set(source_strings())
    assert [message.id for message in i18n.read_catalogue(language) if message.id and message.id not in known] == []


def test_strings_are_found_wherever_they_are_marked(tmp_path):
    for room in extracting.ROOMS:
        (tmp_path / room).mkdir()
    (tmp_path / "vision/problems.py").write_text('A = Problem("a", "Too dark.", advice="Open the " "curtain.")\n')
    (tmp_path / "service/words.py").write_text('say("One {n}.", n="not this")\n_("Two.")\nother("not this")\n')
    (tmp_path / "calibration/part.py").write_text('Contribution("print scale", 1.0, "not this")\n')
    (tmp_path / "service/page.html").write_text('<p>{% trans %}Three.{% endtrans %} {{ _("Four.") }} not this</p>')
    found = {message.id: message.locations for message in extracting.template(tmp_path) if message.id}
    assert set(found) == {"Too dark.", "Open the curtain.", "One {n}.", "Two.", "print scale", "Three.", "Four."}
    assert found["Three."] == [("service/page.html", 1)]


def test_help_is_found_in_commands_and_questions(tmp_path):
    """What an option means, what a command does, paragraph by paragraph, and what a question's field means."""
    for room in extracting.ROOMS:
        (tmp_path / room).mkdir()
    for place in ("cli", "questions", "api"):
        (tmp_path / "service" / place).mkdir()
    command = '@click.command()\n@click.option("--x", help="Three.")\ndef f():\n    """One\n    line.\n\n    Two."""\n'
    (tmp_path / "service/cli/some.py").write_text(command + 'Later("module", "Four.")\n')
    (tmp_path / "service/questions/some.py").write_text('Field(description="Five.")\nother(description="no")\n')
    (tmp_path / "service/api/some.py").write_text('Field(description="not this")\n')
    found = {message.id for message in extracting.template(tmp_path) if message.id}
    assert found == {"One line.", "Two.", "Three.", "Four.", "Five."}


def test_percentages_are_spelled_one_way():
    """As `Percent` writes them in English: without a space."""
    assert [each for each in source_strings() if re.search(r"\d %", each)] == []


@pytest.mark.parametrize("language", OTHERS)
def test_percentages_stand_as_the_language_writes_numbers(language):
    """With a space before the sign or without one, as `Percent` writes those that are worked out."""
    spaced = not format_percent(0.5, locale=language).startswith("50%")
    wrong = re.compile(r"\d%" if spaced else r"\d\s%")
    assert [message.id for message in i18n.read_catalogue(language) if wrong.search(str(message.string))] == []


def test_no_line_parts_a_french_sign_from_its_word():
    assert i18n.parted() == []
    assert [
        text for text in ("Oui ?", "Un : deux", "«un»", "Oui\u202f?", "Un\u00a0: deux") if i18n.PARTED.search(text)
    ] == [
        "Oui ?",
        "Un : deux",
        "«un»",
    ]


def test_a_string_without_a_translation_is_missed(tmp_path):
    for room in extracting.ROOMS:
        (tmp_path / room).mkdir()
    (tmp_path / "service/words.py").write_text('say("A sentence that nobody has translated.")\n')
    found = i18n.source_strings(extracting.template(tmp_path))
    assert i18n.missing("de", found) == ["A sentence that nobody has translated."]


def test_update_keeps_translations_and_drops_what_is_gone(tmp_path, monkeypatch):
    monkeypatch.setattr(i18n, "LOCALE_DIR", tmp_path / "locale")
    for room in extracting.ROOMS:
        (tmp_path / room).mkdir()
    words = tmp_path / "service/words.py"
    words.write_text('say("One.")\nsay("Two.")\n')
    i18n.update("de", extracting.template(tmp_path))
    path = i18n.catalogue_path("de")
    path.write_text(path.read_text().replace('msgid "One."\nmsgstr ""', 'msgid "One."\nmsgstr "Eins."'))
    words.write_text('say("One.")\nsay("Three.")\n')
    found = extracting.template(tmp_path)
    i18n.update("de", found)
    catalogue = i18n.read_catalogue("de")
    assert catalogue.get("One.").string == "Eins."
    assert catalogue.get("Two.") is None
    assert i18n.missing("de", i18n.source_strings(found)) == ["Three."]


@pytest.mark.parametrize(
    ("wanted", "language"),
    [("de", "de"), ("de-AT,de;q=0.9,en;q=0.5", "de"), ("sv, en", "en"), ("xx", "en"), ("", "en"), (None, "en")],
)
def test_the_language_is_chosen_from_what_is_wanted(wanted, language):
    assert i18n.negotiate_language(wanted) == language


def test_unknown_languages_stay_english():
    assert i18n.translator("xx")("It can be played.") == "It can be played."
    assert i18n.translator("de")("") == ""


def test_the_chore_wants_one_of_its_two_words(capsys):
    assert i18n.main(["translate"]) == 2
    assert "update|check" in capsys.readouterr().err


SAMPLES = ROOT / "sample_images"


def test_every_measured_cause_is_translated():
    """The causes that two samples' budgets name are in the catalogue, whichever room named them."""
    arm = measure_arm_photo((SAMPLES / "child-3.jpg").read_bytes(), "child", ArmQuestion(age_years=6))
    files = [((SAMPLES / f"instrument-4-{name}.jpg").read_bytes(), name) for name in ("first", "second")]
    found = [arm.result[name] for name in ARM_LENGTHS]
    instrument = measure_instrument_photos(files, InstrumentQuestion())
    found += [instrument.result[name] for name in INSTRUMENT_LENGTHS]
    causes = {part["source"] for length in found if length for part in length["budget"]}
    catalogue = i18n.read_catalogue("de")
    looked_up: list[str] = []
    for each in causes:
        cause(each).text(lambda text: looked_up.append(text) or text)
    assert [text for text in looked_up if not (catalogue.get(text) and catalogue.get(text).string)] == []
    assert causes & {"neck point", "neck point (covered)"}
    assert "light along the edge, photo 2" in causes
    assert cause("light along the edge, photo 2").text(i18n.translator("de")) == "Licht entlang der Kante, Foto 2"


def test_the_way_a_language_runs() -> None:
    assert [i18n.reads_from_right(language) for language in ("en", "de", "ar", "ja")] == [False, False, True, False]
