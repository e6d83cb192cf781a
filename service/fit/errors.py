"""What can be wrong with numbers, charts and dates that people type, said so that a parent can put it right."""

from __future__ import annotations

from service.fit.sentences import Sentence


class FitError(ValueError):
    """Input that no verdict can be made from.

    Attributes
    ----------
    sentence : Sentence
        What is wrong and what to do, translatable; ``str(error)`` is its English text.
    """

    def __init__(self, sentence: Sentence) -> None:
        super().__init__(sentence.text())
        self.sentence = sentence


class LengthError(FitError):
    """A typed length that is not one."""


class ChartError(FitError):
    """A chart that would leave some verdict undefined."""


class GrowthError(FitError):
    """An age or a history of measurements that growth cannot be worked out from."""
