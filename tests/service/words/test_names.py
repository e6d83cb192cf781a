"""An instrument that nobody named is called after its child in the reader's language."""

from service.words.i18n import translator
from service.words.names import instrument_name


def test_a_name_that_nobody_gave_follows_the_reader() -> None:
    german = translator("de")
    assert instrument_name("Instrument of Juno", "Juno", german) == "Instrument von Juno"
    assert instrument_name("Instrument de Juno", "Juno", german) == "Instrument von Juno"
    assert instrument_name("Instrument of Mo", "Juno", german) == "Instrument of Mo", "somebody wrote that"
    assert instrument_name("Shelf 3", "Juno", german) == "Shelf 3"
