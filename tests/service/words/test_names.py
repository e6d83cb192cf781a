"""An instrument that nobody named is called after its child in the reader's language."""

from service.words.i18n import translator
from service.words.names import instrument_name, instrument_of, renamed


def test_a_name_that_nobody_gave_follows_the_reader() -> None:
    german = translator("de")
    assert instrument_name("Instrument of Juno", "Juno", german) == "Instrument von Juno"
    assert instrument_name("Instrument de Juno", "Juno", german) == "Instrument von Juno"
    assert instrument_name("Instrument of Mo", "Juno", german) == "Instrument of Mo", "somebody wrote that"
    assert instrument_name("Shelf 3", "Juno", german) == "Shelf 3"
    assert instrument_name("Instrument of Juno 2", "Juno", german) == "Instrument von Juno 2"
    assert instrument_name("Instrument of Juno II", "Juno", german) == "Instrument of Juno II"


def test_no_two_instruments_begin_with_one_name() -> None:
    english = translator("en")
    taken: set[str] = set()
    for name in ("Instrument of Juno", "Instrument of Juno 2", "Instrument of Juno 3"):
        assert instrument_of("Juno", english, frozenset(taken)) == name
        taken.add(name)
    assert instrument_of("Juno", english, frozenset({"Instrument of Juno 2"})) == "Instrument of Juno"


def test_a_name_that_nobody_gave_follows_its_child() -> None:
    assert renamed("Instrument von Juno", "Juno", "J.") == "Instrument von J."
    assert renamed("Instrument of Juno 2", "Juno", "J.") == "Instrument of J. 2"
    assert renamed("Juno's red one", "Juno", "J.") == "Juno's red one", "somebody wrote that"
