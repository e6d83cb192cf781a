"""A verdict in words: short for a parent, full for a teacher, always with its cautions.

Every sentence names a limit, a number or how sure it is, and has a stable code for programs.  The English texts here
are the source strings of the message catalogue.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite
from typing import Any

from calibration.quantity import Length
from service.fit.causes import cause
from service.fit.decision import Action, Decision
from service.fit.next_step import next_steps
from service.fit.sentences import Millimetres, Percent, Sentence, Value, say, unchanged
from service.fit.signs import CONDITION_QUESTIONS, SIGN_FAULTS, SIGN_QUESTIONS
from service.fit.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Reason:
    """One sentence of an explanation.

    Attributes
    ----------
    code : str
        Stable name for programs.
    sentence : Sentence
        The words.
    """

    code: str
    sentence: Sentence


CAUTIONS: tuple[Reason, ...] = (
    Reason("teacher_decides", say("A child is not a number: the teacher who sees the child play decides.")),
    Reason(
        "pain_means_stop",
        say("Pain, numbness or strain means: stop and ask the teacher, and a physician if it persists."),
    ),
)
"""Said with every verdict."""

CLASS_NAMES = {
    Decision.TOO_SMALL: say("too small"),
    Decision.FITS: say("fits"),
    Decision.STRETCH: say("stretch"),
    Decision.TOO_LARGE: say("too large"),
    Decision.NOT_DECIDED: say("not decided yet"),
}

HEADLINES = {
    Decision.TOO_SMALL: say("This instrument is too small for the child."),
    Decision.FITS: say("This instrument fits the child."),
    Decision.STRETCH: say("This instrument is slightly large for the child: at most a stretch."),
    Decision.TOO_LARGE: say("This instrument is too large for the child."),
    Decision.NOT_DECIDED: say("Not decided yet: the measurements are not sure enough for a yes or a no."),
}

ACTIONS = {
    Action.TAKE: say("It can be played."),
    Action.ASK_SIGNS: say("Let the child try it and answer the five questions about playing; they decide."),
    Action.SMALLER: say("Take a smaller instrument."),
    Action.LARGER: say("Take a larger instrument."),
    Action.MEASURE: say("Do not order yet: measure once more, or ask the teacher."),
    Action.STOP: say("Stop playing this instrument and ask the teacher."),
}


def headline(verdict: Verdict) -> Sentence:
    """One sentence that says the decision."""
    return HEADLINES[verdict.decision]


def short_reasons(verdict: Verdict) -> tuple[Reason, ...]:
    """Sentences for a parent: what to do, the numbers behind it, how sure, and what is odd about the instrument."""
    reasons = [
        Reason(f"action_{verdict.action}", ACTIONS[verdict.action]),
        Reason("arm_against_band", _band_sentence(verdict)),
        Reason("how_sure", _sureness(verdict)),
        *_sign_reasons(verdict),
    ]
    if verdict.mislabelled:
        reasons.append(_label_reason(verdict))
    return tuple(reasons)


def full_reasons(verdict: Verdict) -> tuple[Reason, ...]:
    """Sentences for a teacher: the parent's, then probabilities, limits with guard bands, rule, and what limits it."""
    p = verdict.probabilities
    reasons = [
        *short_reasons(verdict),
        Reason(
            "probabilities",
            say(
                "Too small {too_small}, fits {fits}, stretch {stretch}, too large {too_large}.",
                too_small=Percent(p.too_small),
                fits=Percent(p.fits),
                stretch=Percent(p.stretch),
                too_large=Percent(p.too_large),
            ),
        ),
        Reason("instrument_measures", _instrument_sentence(verdict)),
        Reason("guard_band", _guard_sentence(verdict)),
        Reason("size_rule", _size_rule(verdict)),
    ]
    if verdict.unusual_neck and verdict.neck is not None:
        reasons.append(Reason("unusual_neck", _neck_sentence(verdict.neck)))
    if verdict.label_right is not None and not verdict.mislabelled:
        reasons.append(_label_reason(verdict))
    if verdict.label_right is None and verdict.instrument.label:
        unknown = say("The chart has no size called {label}; only the measures count.", label=verdict.instrument.label)
        reasons.append(Reason("label_unknown", unknown))
    reasons.append(Reason("limited_by", _limited_by(verdict.margin)))
    if verdict.condition is not None:
        bad = [name for name in CONDITION_QUESTIONS if getattr(verdict.condition, name) is False]
        reasons += [Reason(f"condition_{name}", CONDITION_FAULTS[name]) for name in bad]
    return tuple(reasons)


def explanation_json(
    verdict: Verdict, translate: Callable[[str], str] = unchanged, language: str = "en"
) -> dict[str, Any]:
    """Headline, reasons (short), details (full), open questions, next steps and cautions as JSON in `language`."""

    def written(reasons: tuple[Reason, ...]) -> list[dict[str, str]]:
        return [{"code": each.code, "text": each.sentence.text(translate, language)} for each in reasons]

    questions = []
    if verdict.action is Action.ASK_SIGNS:
        answered = verdict.signs
        questions = [
            {"code": name, "text": question.text(translate, language)}
            for name, question in SIGN_QUESTIONS.items()
            if answered is None or getattr(answered, name) is None
        ]
    return {
        "headline": headline(verdict).text(translate, language),
        "reasons": written(short_reasons(verdict)),
        "details": written(full_reasons(verdict)),
        "questions": questions,
        "next_steps": [each.as_json(translate, language) for each in next_steps(verdict)],
        "cautions": written(CAUTIONS),
    }


def verdict_text(
    verdict: Verdict, translate: Callable[[str], str] = unchanged, language: str = "en", full: bool = False
) -> str:
    """Lines a person reads: headline, reasons (all of them if `full`), cautions."""
    reasons = full_reasons(verdict) if full else short_reasons(verdict)
    lines = [headline(verdict), *(each.sentence for each in reasons)]
    if verdict.action is Action.ASK_SIGNS:
        lines += SIGN_QUESTIONS.values()
    steps = next_steps(verdict)
    if verdict.action is Action.MEASURE and steps:
        lines.append(say("What would help most: {step}", step=steps[0].sentence()))
    lines += [each.sentence for each in CAUTIONS]
    return "\n".join(line.text(translate, language) for line in lines)


CONDITION_FAULTS = {
    "pegs_hold": say("Its pegs do not hold: have them fitted, or the tuning slips."),
    "bridge_cut": say("Its bridge is too high for small hands: have it cut."),
    "strings_apart": say("Its strings are hard to bow one at a time: have the bridge looked at."),
}


def _band_sentence(verdict: Verdict) -> Sentence:
    arm, low, high = verdict.arm, verdict.shortest_arm_mm, verdict.longest_arm_mm
    values: dict[str, Value] = {
        "arm": Millimetres(arm.value_mm),
        "low": Millimetres(arm.low_mm),
        "high": Millimetres(arm.high_mm),
        "start": Millimetres(low),
    }
    if not isfinite(high) or high > OPEN_MM:
        return say(
            "The arm measures {arm} (95% sure: {low} to {high}); this instrument suits arms from {start} upwards.",
            **values,
        )
    return say(
        "The arm measures {arm} (95% sure: {low} to {high}); this instrument suits arms from {start} to {end}.",
        **values,
        end=Millimetres(high),
    )


OPEN_MM = 800.0
"""A longest arm beyond any plausible arm is not worth naming, mm."""


def _sureness(verdict: Verdict) -> Sentence:
    if verdict.by_signs:
        return say("The numbers alone would be kinder; what was seen while playing counts more.")
    if verdict.confidence is None:
        p = verdict.probabilities
        if p.fits + p.stretch >= verdict.rule.confidence:
            return say(
                "A stretch is still possible with {q} and too large with {p}; that is too much for a yes.",
                p=Percent(p.too_large),
                q=Percent(p.stretch),
            )
        return say(
            "Most probable is “{name}” with {sure}; a decision needs 95%.",
            name=CLASS_NAMES[p.likeliest],
            sure=Percent(getattr(p, p.likeliest.value)),
        )
    return say("This is {sure} sure.", sure=Percent(verdict.confidence))


def _sign_reasons(verdict: Verdict) -> list[Reason]:
    if verdict.signs is None:
        return []
    reasons = [
        Reason(f"sign_{name}", say("Seen while playing: {fault}.", fault=SIGN_FAULTS[name]))
        for name in verdict.signs.strain
    ]
    if verdict.signs.bow_clear is False:
        reasons.append(
            Reason(
                "sign_bow_clear",
                say("Seen while playing: {fault}. Have the bridge looked at.", fault=SIGN_FAULTS["bow_clear"]),
            )
        )
    if verdict.signs.all_good and verdict.small and verdict.decision is Decision.STRETCH:
        reasons.append(
            Reason("signs_good", say("All signs seen while playing are good, so the slightly larger one is right."))
        )
    if verdict.signs.strain and verdict.decision in (Decision.TOO_SMALL, Decision.NOT_DECIDED):
        reasons.append(
            Reason("strain_unexplained", say("The size does not explain this strain; the teacher should look at it."))
        )
    return reasons


def _label_reason(verdict: Verdict) -> Reason:
    label, right = verdict.instrument.label or "", Percent(verdict.label_right or 0.0)
    if verdict.mislabelled:
        return Reason(
            "mislabelled",
            say(
                "It is sold as {label} but measures like a {size}; go by the measures.", label=label, size=verdict.size
            ),
        )
    return Reason(
        "label_right", say("It is sold as {label}; that agrees with its measures at {p}.", label=label, p=right)
    )


def _instrument_sentence(verdict: Verdict) -> Sentence:
    body, total = verdict.instrument.body, verdict.instrument.total
    if body is not None and total is not None:
        return say(
            "Body length {body}, total length {total}: nearest to a {size} of the chart “{chart}”.",
            body=Millimetres(body.value_mm),
            total=Millimetres(total.value_mm),
            size=verdict.size,
            chart=Sentence(verdict.chart.name),
        )
    if body is not None:
        return say(
            "Body length {body}, total length not measured: nearest to a {size} of the chart “{chart}”.",
            body=Millimetres(body.value_mm),
            size=verdict.size,
            chart=Sentence(verdict.chart.name),
        )
    return say(
        "Total length {total}, body length not measured: nearest to a {size} of the chart “{chart}”.",
        total=Millimetres(total.value_mm if total is not None else 0.0),
        size=verdict.size,
        chart=Sentence(verdict.chart.name),
    )


def _guard_sentence(verdict: Verdict) -> Sentence:
    guard = verdict.guard
    if guard.accept_from_mm is None:
        return say(
            "With this uncertainty no arm could be called a fit: the guard bands of {low} and {high} fill the band.",
            low=Millimetres(guard.low_mm),
            high=Millimetres(guard.high_mm),
        )
    if guard.accept_to_mm is None or guard.accept_to_mm > OPEN_MM:
        return say(
            "“Fits” is said for measured arms from {start} upwards: the guard band is {low} (risk of strain 2.5%).",
            start=Millimetres(guard.accept_from_mm),
            low=Millimetres(guard.low_mm),
        )
    return say(
        "“Fits” is said for measured arms from {start} to {end}: the guard bands are {low} against strain (risk 2.5%) "
        "and {high} against too small (risk 5%).",
        start=Millimetres(guard.accept_from_mm),
        end=Millimetres(guard.accept_to_mm),
        low=Millimetres(guard.low_mm),
        high=Millimetres(guard.high_mm),
    )


def _size_rule(verdict: Verdict) -> Sentence:
    if verdict.small:
        return say(
            "Below quarter size a slightly larger instrument can be right when the child is not strained: it sounds "
            "better, keeps its tuning better and gives the fingers and the bow more room."
        )
    return say("From quarter size up the rule is: between two sizes the smaller.")


def _neck_sentence(neck: Length) -> Sentence:
    if neck.value_mm > 0:
        return say(
            "Its neck is long for its body: by total length it asks for {mm} more arm than by body length.",
            mm=Millimetres(neck.value_mm),
        )
    return say(
        "Its neck is short for its body: by total length it asks for {mm} less arm than by body length.",
        mm=Millimetres(-neck.value_mm),
    )


def _limited_by(margin: Length) -> Sentence:
    largest = max(margin.budget, key=lambda part: abs(part.contribution_mm))
    return say(
        "Arm minus shortest arm is {margin}, standard uncertainty {u}; its largest single cause: {source} ({part}).",
        margin=Millimetres(margin.value_mm, 1),
        u=Millimetres(margin.standard_uncertainty_mm, 1),
        source=cause(largest.source),
        part=Millimetres(abs(largest.contribution_mm), 1),
    )
