"""A verdict in words: short for a parent, full for a teacher, always with its cautions.

Every sentence is a view of the one verdict: what is known, what there is to do, the numbers behind it, how sure, what
was seen while playing.  Each has a stable code for programs.  The English texts here are the source strings of the
message catalogue.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Any

from calibration.quantity import Length
from service.fit.assessment import PRIOR_SD_MM
from service.fit.causes import cause
from service.fit.choosing import UNSETTLED
from service.fit.decision import CONFIDENCE, PLAYED, STRAIN_RISK, Action, Decision
from service.fit.evidence import Suspected
from service.fit.lengths import ASK_THE_TEACHER, is_along_bent_arm
from service.fit.next_step import COUNT_TAPE
from service.fit.sentences import SURE, Millimetres, Percent, Sentence, Translate, Value, say, unchanged
from service.fit.setup import set_up, set_up_sentences, to_try
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
    Decision.SMALL_OR_FITS: say("fits or is a little small"),
    Decision.FITS: say("fits"),
    Decision.FITS_OR_STRETCH: say("fits or is slightly large"),
    Decision.STRETCH: say("stretch"),
    Decision.STRETCH_OR_LARGE: say("slightly or clearly too large"),
    Decision.TOO_LARGE: say("too large"),
    Decision.NOT_DECIDED: say("not decided yet"),
}

HEADLINES = {
    Decision.TOO_SMALL: say("This instrument is too small for the child."),
    Decision.SMALL_OR_FITS: say("This instrument is not too large: it fits, or is a little small."),
    Decision.FITS: say("This instrument fits the child."),
    Decision.FITS_OR_STRETCH: say("This instrument fits or is slightly large; the numbers cannot tell which."),
    Decision.STRETCH: say("This instrument is slightly large for the child: a stretch."),
    Decision.STRETCH_OR_LARGE: say("This instrument is too large for the child, slightly or clearly."),
    Decision.TOO_LARGE: say("This instrument is too large for the child."),
    Decision.NOT_DECIDED: say("The numbers alone do not say for certain whether this instrument fits."),
}

BY_LENGTHS = {
    Decision.SMALL_OR_FITS: say("By its lengths this instrument fits the child, or is a little small."),
    Decision.FITS: say("By its lengths this instrument fits the child."),
    Decision.FITS_OR_STRETCH: say("By its lengths this instrument fits the child, or is slightly large."),
}
"""Headlines where what was seen while playing has to be settled first, or the instrument repaired."""

ACTION_NAMES = {
    Action.TAKE: say("take it"),
    Action.TRY: say("try it, and watch"),
    Action.ASK_SIGNS: say("let the child play it first"),
    Action.SET_UP: say("set-up and posture first"),
    Action.SMALLER: say("a smaller one"),
    Action.LARGER: say("a larger one"),
    Action.WAIT: say("wait: none is small enough"),
    Action.MEASURE: say("measure again"),
    Action.STOP: say("stop, ask the teacher"),
    Action.REPAIR: say("have it repaired first"),
}
"""Actions in a few words, for lists and labels."""

ACTIONS = {
    Action.TAKE: say("It can be played."),
    Action.TRY: say(
        "Try it, and watch for some days: the left wrist stays free, all four fingers reach their places, the left "
        "elbow stays bent. If not, send it back for a smaller one."
    ),
    Action.ASK_SIGNS: say("Let the child try it and answer the five questions about playing; they decide."),
    Action.SET_UP: say("See to set-up and posture first, with the teacher; the size comes after that."),
    Action.SMALLER: say("Take a smaller instrument."),
    Action.LARGER: say("Take a larger instrument."),
    Action.WAIT: say("No violin of the chart is small enough for this arm yet: wait, or ask the teacher."),
    Action.MEASURE: say("Measure once more before you decide."),
    Action.STOP: say("Stop playing this instrument and ask the teacher."),
    Action.REPAIR: say("Have it repaired before it is played."),
}

SET_UP_CODES = ("set_up_neck", "set_up_slope")
"""Codes of the sentences about set-up, in the order of `service.fit.setup.set_up_sentences`."""

OPEN_MM = 800.0
"""A longest arm beyond any plausible arm is not worth naming, mm."""

SOON_SMALL = 0.2
"""Probability of too small from which an instrument to take is called on the small side; ours."""


def is_on_the_small_side(verdict: Verdict) -> bool:
    """Whether an instrument is taken that is likely to be too small soon."""
    return verdict.action is Action.TAKE and verdict.probabilities.too_small >= SOON_SMALL


def headline(verdict: Verdict) -> Sentence:
    """One sentence that says what is known."""
    if verdict.action in UNSETTLED and verdict.decision in BY_LENGTHS:
        return BY_LENGTHS[verdict.decision]
    return HEADLINES[verdict.decision]


def to_do(verdict: Verdict) -> Sentence:
    """One sentence that says what to do."""
    if verdict.action in (Action.SMALLER, Action.LARGER):
        return _another(verdict)
    if verdict.action is Action.ASK_SIGNS and is_along_bent_arm(verdict.arm):
        return ASK_THE_TEACHER
    if verdict.action is Action.MEASURE and verdict.steps:
        if verdict.steps[0].step is COUNT_TAPE:
            return COUNT_TAPE.sentence
        return say("Measure once more before you decide: {step}", step=verdict.steps[0].sentence())
    if verdict.action is Action.SET_UP and verdict.elsewhere:
        return say(
            "First settle, with the teacher, the strain seen on an instrument that is no larger than this one: set-up "
            "and posture, then size."
        )
    if is_on_the_small_side(verdict):
        return say("It can be played; it is on the small side, so look again in three months.")
    return ACTIONS[verdict.action]


def short_reasons(verdict: Verdict) -> tuple[Reason, ...]:
    """Sentences for a parent: what to do, the numbers behind it, how sure, what was seen, what is odd."""
    reasons = [
        Reason(f"action_{verdict.action}", to_do(verdict)),
        Reason("arm_against_band", _band_sentence(verdict)),
        Reason("how_sure", _sureness(verdict)),
        *_sign_reasons(verdict),
    ]
    if _tries_set_up(verdict):
        reasons += _set_up_reasons(to_try(set_up(verdict.small, verdict.build)))
    if verdict.mislabelled:
        reasons.append(_label_reason(verdict))
    if verdict.condition is not None:
        bad = [name for name in CONDITION_QUESTIONS if getattr(verdict.condition, name) is False]
        reasons += [Reason(f"condition_{name}", CONDITION_FAULTS[name]) for name in bad]
    return tuple(reasons)


def full_reasons(verdict: Verdict) -> tuple[Reason, ...]:
    """Sentences for a teacher: the parent's, then probabilities, guard bands, rule, what limits it, and set-up."""
    reasons = [
        *short_reasons(verdict),
        *([] if verdict.doubted else [Reason("probabilities", _probabilities(verdict))]),
        Reason("instrument_measures", _instrument_sentence(verdict)),
        Reason("guard_band", _guard_sentence(verdict)),
        Reason("size_rule", _size_rule(verdict)),
        Reason(
            "prior",
            say(
                "Before measuring, the arm is taken to be within {sd} of the instrument's shortest arm "
                "(standard deviation).",
                sd=Millimetres(PRIOR_SD_MM),
            ),
        ),
    ]
    if verdict.unusual_neck and verdict.neck is not None:
        reasons.append(Reason("unusual_neck", _neck_sentence(verdict.neck)))
    if verdict.label_right is not None and not verdict.mislabelled:
        reasons.append(_label_reason(verdict))
    if verdict.label_right is None and verdict.instrument.label:
        unknown = say("The chart has no size called {label}; only the measures count.", label=verdict.instrument.label)
        reasons.append(Reason("label_unknown", unknown))
    reasons.append(Reason("limited_by", _limited_by(verdict.margin)))
    if not _tries_set_up(verdict):
        reasons += _set_up_reasons(set_up_sentences(set_up(verdict.small, verdict.build)))
    return tuple(reasons)


def _tries_set_up(verdict: Verdict) -> bool:
    """Whether set-up comes first and the photo says what to try, so that it belongs into the short answer."""
    return verdict.action is Action.SET_UP and verdict.build.neck_length is not None


def _set_up_reasons(said: tuple[Sentence | None, Sentence | None]) -> list[Reason]:
    """What is said of neck and shoulder, as far as anything is."""
    coded = zip(SET_UP_CODES, said, strict=True)
    return [Reason(code, sentence) for code, sentence in coded if sentence is not None]


def explanation_json(verdict: Verdict, translate: Translate = unchanged, language: str = "en") -> dict[str, Any]:
    """Headline, reasons (short), details (full), open questions, next steps and cautions as JSON in `language`."""

    def written(reasons: tuple[Reason, ...]) -> list[dict[str, str]]:
        return [{"code": each.code, "text": each.sentence.text(translate, language)} for each in reasons]

    return {
        "headline": headline(verdict).text(translate, language),
        "to_do": to_do(verdict).text(translate, language),
        "reasons": written(short_reasons(verdict)),
        "details": written(full_reasons(verdict)),
        "questions": [
            {"code": name, "text": question.text(translate, language)} for name, question in open_questions(verdict)
        ],
        "next_steps": [each.as_json(translate, language) for each in verdict.steps],
        "cautions": written(CAUTIONS),
    }


def open_questions(verdict: Verdict) -> list[tuple[str, Sentence]]:
    """The questions about playing that are still to be answered, where they decide."""
    if verdict.action is not Action.ASK_SIGNS:
        return []
    signs = verdict.signs
    return [(name, each) for name, each in SIGN_QUESTIONS.items() if signs is None or getattr(signs, name) is None]


def verdict_text(verdict: Verdict, translate: Translate = unchanged, language: str = "en", full: bool = False) -> str:
    """What a person reads.

    In short it is at most six lines: what is known, what to do, the numbers, how sure, what was seen or is odd, and the
    cautions; if `full`, every reason on a line of its own, the questions that are open, and the cautions.
    """

    def written(sentences: list[Sentence]) -> str:
        return " ".join(each.text(translate, language) for each in sentences)

    cautions = [each.sentence for each in CAUTIONS]
    if full:
        every = [headline(verdict), *(each.sentence for each in full_reasons(verdict))]
        every += [each for _, each in open_questions(verdict)]
        every += [each.sentence() for each in verdict.steps[1:]]
        return "\n".join(each.text(translate, language) for each in [*every, *cautions])
    first, second, third, *rest = (each.sentence for each in short_reasons(verdict))
    lines = [[headline(verdict)], [first], [second], [third], rest, cautions]
    return "\n".join(written(line) for line in lines if line)


CONDITION_FAULTS = {
    "pegs_hold": say("Its pegs do not hold: have them fitted, or the tuning slips."),
    "bridge_cut": say("Its bridge is too high for small hands: have it cut."),
    "strings_apart": say("Its strings are hard to bow one at a time: have the bridge looked at."),
    "whole": say("It is not whole: something is cracked, open or missing."),
}


def _another(verdict: Verdict) -> Sentence:
    """Which instrument to take instead."""
    smaller = verdict.action is Action.SMALLER
    if verdict.instead is None:
        if smaller:
            return ACTIONS[Action.WAIT]
        return say("It is the largest that the chart has: ask the teacher what comes after it.")
    values: dict[str, Value] = {
        "size": verdict.instead.size,
        "body": Millimetres(verdict.instead.body_length_mm),
    }
    if smaller:
        return say("Take a smaller instrument: about the size {size}, body length about {body}.", **values)
    return say("Take a larger instrument: about the size {size}, body length about {body}.", **values)


def _band_sentence(verdict: Verdict) -> Sentence:
    arm, low, high = verdict.arm, verdict.shortest_arm_mm, verdict.longest_arm_mm
    values: dict[str, Value] = {
        "arm": Millimetres(arm.value_mm),
        "sure": SURE,
        "low": Millimetres(arm.low_mm),
        "high": Millimetres(arm.high_mm),
        "start": Millimetres(low),
    }
    if not isfinite(high) or high > OPEN_MM:
        return say(
            "The arm measures {arm} ({sure} sure: {low} to {high}); this instrument suits arms from {start} upwards.",
            **values,
        )
    return say(
        "The arm measures {arm} ({sure} sure: {low} to {high}); this instrument suits arms from {start} to {end}.",
        **values,
        end=Millimetres(high),
    )


def _sureness(verdict: Verdict) -> Sentence:
    """How sure, and of what; a stretch is explained where it is named."""
    if verdict.doubted:
        return say("Nothing is claimed: measurements of this arm contradict one another, and one is likely a mistake.")
    p = verdict.probabilities
    if verdict.confidence is not None:
        sure = say("Sure of “{claim}”: {p}.", claim=CLASS_NAMES[verdict.decision], p=Percent(verdict.confidence))
    else:
        sure = say(
            "Most probable is “{name}” with {p}; it is claimed only from {least} on.",
            name=CLASS_NAMES[p.likeliest],
            p=Percent(getattr(p, p.likeliest.value)),
            least=Percent(CONFIDENCE),
        )
    named = verdict.claim or (p.likeliest,)
    if Decision.STRETCH not in named or verdict.chart.stretch_mm == 0:
        return sure
    return say(
        "{sure} A stretch asks for up to {mm} more arm than the child has: about half a year's growth.",
        sure=sure,
        mm=Millimetres(verdict.chart.stretch_mm, 0 if float(verdict.chart.stretch_mm).is_integer() else 1),
    )


def _probabilities(verdict: Verdict) -> Sentence:
    def listed(p: Any) -> Sentence:
        return say(
            "too small {too_small}, fits {fits}, stretch {stretch}, too large {too_large}",
            too_small=Percent(p.too_small),
            fits=Percent(p.fits),
            stretch=Percent(p.stretch),
            too_large=Percent(p.too_large),
        )

    if verdict.by_signs:
        return say(
            "With what was seen while playing: {all}; by the lengths alone: {lengths}.",
            all=listed(verdict.probabilities),
            lengths=listed(verdict.by_lengths),
        )
    return say("How probable: {all}.", all=listed(verdict.probabilities))


def _sign_reasons(verdict: Verdict) -> list[Reason]:
    if verdict.signs is None:
        return []
    reasons = []
    for name, causes in verdict.causes.items():
        sentence = say("Seen while playing: {fault}. {causes}", fault=SIGN_FAULTS[name], causes=_suspects(causes))
        reasons.append(Reason(f"sign_{name}", sentence))
    if verdict.signs.all_good:
        reasons.append(Reason("signs_good", _good_signs(verdict)))
    return reasons


def _suspects(causes: tuple[Suspected, ...]) -> Sentence:
    first, second = causes[0], causes[1]
    return say(
        "Look first at {first} ({p}), then at {second} ({q}).",
        first=first.cause.sentence,
        p=Percent(first.probability),
        second=second.cause.sentence,
        q=Percent(second.probability),
    )


def _good_signs(verdict: Verdict) -> Sentence:
    """Good signs are never passed over without a word."""
    if verdict.action is Action.LARGER:
        return say("What was seen while playing is all good; it only shows that nothing strains.")
    if verdict.action not in PLAYED and verdict.margin.value_mm < 0:
        return say(
            "What was seen while playing is all good, yet the instrument asks for {mm} more arm than was measured: "
            "strain comes late, so this does not make it fit. If it plays with ease, measure the arm again.",
            mm=Millimetres(-verdict.margin.value_mm),
        )
    if verdict.action in PLAYED and verdict.small and Decision.STRETCH in verdict.claim:
        return say("What was seen while playing is all good, so below quarter size the slightly larger one is right.")
    return say("What was seen while playing is all good, too.")


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
    strain, small = Percent(STRAIN_RISK, 1), Percent(1 - CONFIDENCE, 1)
    if guard.accept_from_mm is None:
        return say(
            "With this uncertainty no arm could be called a fit: the guard bands of {low} and {high} fill the band.",
            low=Millimetres(guard.low_mm),
            high=Millimetres(guard.high_mm),
        )
    if guard.accept_to_mm is None or guard.accept_to_mm > OPEN_MM:
        return say(
            "“Fits” is said for measured arms from {start} upwards: the guard band is {low} (risk of strain {strain}).",
            start=Millimetres(guard.accept_from_mm),
            low=Millimetres(guard.low_mm),
            strain=strain,
        )
    return say(
        "“Fits” is said for measured arms from {start} to {end}: the guard bands are {low} against strain (risk "
        "{strain}) and {high} against too small (risk {small}).",
        start=Millimetres(guard.accept_from_mm),
        end=Millimetres(guard.accept_to_mm),
        low=Millimetres(guard.low_mm),
        high=Millimetres(guard.high_mm),
        strain=strain,
        small=small,
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
