"""What the family's report says: the verdict, what was measured and how sure, why, and what to do next.

It is made from a kept verdict, so it says what was decided then.  `service.report.pdf` lays it out on a page of paper,
a template of `service.web` on a screen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from service.fit.decision import CLASS_ORDER
from service.fit.sentences import Percent, Translate
from service.words.i18n import marked, translator
from service.words.lengths import LENGTHS, SHORT
from service.words.names import instrument_name, is_unnamed
from service.words.readable import length_sentence
from service.words.writing import unbroken, written_mm, written_number

Lengths = Mapping[str, dict[str, float] | None]
"""Kept lengths by their codes, mm; None of what was not measured."""

BUILD = ("neck_length", "shoulder_fall", "shoulder_run")
"""Lengths of neck and shoulder that a report names where the photo shows them; chin and shoulder rest go by them."""
PICTURED = {"arm": ("arm_length",), "instrument": ("body_length", "total_length")}
"""Which lengths are drawn in which picture."""


@dataclass(frozen=True)
class Report:
    """What a report says.

    Attributes
    ----------
    title, headline : str
        The heading, and the verdict in a sentence.
    decision : str
        Code of the verdict, for its colour.
    for_whom, by_whom : str
        The child's nickname and the teacher.
    studio, instrument : str
        Whose teacher it is, and which instrument was judged.
    day : date
        When it was decided.
    probabilities : tuple of float
        Of too small, fits, stretch and too large; none where measurements of the arm contradict one another.
    odds : str
        The same in words.
    measured : tuple of (str, str, str)
        What was measured, its length, and how sure in plain words.
    reasons, next_lines, cautions : tuple of str
        Why; what to do next; who decides.
    note : str
        A word from the teacher.
    labels : dict of str to str
        Headings in the report's language; none of an instrument whose name says that it is one.
    captions : dict of str to tuple of (str, str)
        Of the pictures of the arm and of the instrument: what each drawn line is, by its code, and how long.
    build : tuple of str
        Neck and shoulder as the photo shows them, a line each; none where hair or clothes hide them.
    """

    title: str
    headline: str
    decision: str
    for_whom: str
    by_whom: str
    studio: str
    instrument: str
    day: date
    probabilities: tuple[float, ...]
    odds: str
    measured: tuple[tuple[str, str, str], ...]
    reasons: tuple[str, ...]
    next_lines: tuple[str, ...]
    cautions: tuple[str, ...]
    note: str
    labels: dict[str, str]
    captions: dict[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)
    build: tuple[str, ...] = ()


def make_report(
    inputs: dict[str, Any],
    outcome: dict[str, Any],
    *,
    nickname: str,
    teacher: str,
    studio: str,
    day: date,
    note: str,
    language: str,
) -> Report:
    """Put a report together from a kept verdict.

    Parameters
    ----------
    inputs, outcome : dict
        As kept by `service.records.verdicts.keep_verdict`; `outcome` in the report's language.
    nickname, teacher, studio : str
        For whom, by whom, and in which studio.
    day : date
        When it was decided.
    note : str
        A word from the teacher.
    language : str
        Code of the language that the report is in.
    """
    translate = translator(language)
    arm, instrument = inputs["arm"]["lengths"], inputs["instrument"]["lengths"]
    lengths = {"arm_length": arm.get("arm_length")}
    lengths |= {code: instrument.get(code) for code in ("body_length", "total_length")}
    shares = tuple(outcome["probabilities"][name] for name in CLASS_ORDER)
    odds = {letter: Percent(share).text(language) for letter, share in zip("abcd", shares, strict=True)}
    return Report(
        title=translate(marked("Does the instrument fit?")),
        headline=outcome["headline"],
        decision=outcome["decision"],
        for_whom=nickname,
        by_whom=teacher,
        studio=studio,
        instrument=_instrument(inputs["instrument"], nickname, translate),
        day=day,
        probabilities=() if outcome.get("doubted") else shares,
        odds=translate(marked("Too small %(a)s, fits %(b)s, stretch %(c)s, too large %(d)s")) % odds,
        measured=_measured(lengths, translate, language),
        reasons=tuple(unbroken(reason["text"]) for reason in outcome["reasons"]),
        next_lines=tuple(unbroken(line) for line in outcome.get("next", ())),
        cautions=tuple(each["text"] for each in outcome["cautions"]),
        note=note,
        labels=_labels(is_unnamed(str(inputs["instrument"]["name"]), nickname), translate),
        captions=_captions(lengths, translate, language),
        build=tuple(
            unbroken(length_sentence(LENGTHS[code].name, length, decimals=0).text(translate, language))
            for code in BUILD
            if (length := arm.get(code))
        ),
    )


def _instrument(kept: dict[str, Any], nickname: str, translate: Translate) -> str:
    """The name of the instrument that was judged, and the size it is sold as."""
    name, label = instrument_name(str(kept["name"]), nickname, translate), kept.get("label")
    return translate(marked("%(name)s, sold as %(label)s")) % {"name": name, "label": label} if label else name


def _measured(lengths: Lengths, translate: Translate, language: str) -> tuple[tuple[str, str, str], ...]:
    """What was measured, how long it is, and how sure that is, in plain words."""
    sure = translate(marked("We are 95% sure that it lies between {low} and {high}."))
    return tuple(
        (
            LENGTHS[code].plain.text(translate),
            written_mm(length["value_mm"], language),
            sure.format(low=written_number(length["low_mm"], language), high=written_mm(length["high_mm"], language)),
        )
        for code, length in lengths.items()
        if length
    )


def _labels(unnamed: bool, translate: Translate) -> dict[str, str]:
    """The report's headings; an instrument without a name of its own has none, since it is called one already."""
    return {
        "for": translate(marked("For")),
        "by": translate(marked("From")),
        "instrument": "" if unnamed else translate(marked("Instrument")),
        "measured": translate(marked("What was measured, and how sure")),
        "reasons": translate(marked("Why")),
        "next": translate(marked("What to do next")),
        "note": translate(marked("A word from the teacher")),
        "picture": translate(marked("The photo with what was measured; the face is blurred.")),
    }


def _captions(lengths: Lengths, translate: Translate, language: str) -> dict[str, tuple[tuple[str, str], ...]]:
    """What the lines drawn in the pictures are called, and how long they are."""
    return {
        kind: tuple(
            (code, f"{SHORT[code].text(translate, language)} {written_mm(length['value_mm'], language)}")
            for code in codes
            if (length := lengths.get(code)) is not None
        )
        for kind, codes in PICTURED.items()
    }
