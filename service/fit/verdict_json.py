"""A verdict as JSON, as the command line, the HTTP interface, the pages and the records hold it."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite
from typing import Any

from calibration.quantity import length_json
from service.fit.assessment import PRIOR_SD_MM
from service.fit.decision import CLASS_ORDER, CONFIDENCE, STRAIN_RISK
from service.fit.explanation import explanation_json
from service.fit.fingers import finger_room
from service.fit.sentences import Translate, unchanged
from service.fit.setup import set_up
from service.fit.verdict import Verdict


def verdict_json(verdict: Verdict, translate: Translate = unchanged, language: str = "en") -> dict[str, Any]:
    """All of it as JSON; sentences in `language` by `translate`."""
    return {
        "decision": verdict.decision.value,
        "action": verdict.action.value,
        "probabilities": {name: round(getattr(verdict.probabilities, name), 4) for name in CLASS_ORDER},
        "claim": [each.value for each in verdict.claim],
        "confidence": None if verdict.confidence is None else round(verdict.confidence, 4),
        "risk": None if verdict.risk is None else round(verdict.risk, 4),
        "rule": {"confidence": CONFIDENCE, "strain_risk": STRAIN_RISK},
        "losses": asdict(verdict.losses),
        "prior_sd_mm": PRIOR_SD_MM,
        "by_lengths": {name: round(getattr(verdict.by_lengths, name), 4) for name in CLASS_ORDER},
        "by_signs": verdict.by_signs,
        "doubted": verdict.doubted,
        "strained": round(verdict.strained, 4),
        "cost_days": round(verdict.cost_days, 2),
        "instead": None
        if verdict.instead is None
        else {
            "size": verdict.instead.size,
            "body_length_mm": verdict.instead.body_length_mm,
            "total_length_mm": verdict.instead.total_length_mm,
        },
        "causes": [
            {
                "sign": sign,
                "code": each.cause.code,
                "text": each.cause.sentence.text(translate, language),
                "probability": round(each.probability, 3),
            }
            for sign, causes in verdict.causes.items()
            for each in causes
        ],
        "arm_length": length_json(verdict.arm),
        "instrument": {
            "label": verdict.instrument.label,
            "name": verdict.instrument.name,
            "body_length": length_json(verdict.instrument.body),
            "total_length": length_json(verdict.instrument.total),
            "nearest_size": verdict.size,
            "label_right": None if verdict.label_right is None else round(verdict.label_right, 4),
            "mislabelled": verdict.mislabelled,
            "unusual_neck": verdict.unusual_neck,
            "below_quarter_size": verdict.small,
        },
        "arm_needed": {
            "from_mm": round(verdict.shortest_arm_mm, 1),
            "to_mm": _finite(verdict.longest_arm_mm),
            "stretch_from_mm": round(verdict.shortest_arm_mm - verdict.chart.stretch_mm, 1),
        },
        "margin": length_json(verdict.margin),
        "guard_band": {
            "low_mm": round(verdict.guard.low_mm, 1),
            "high_mm": _finite(verdict.guard.high_mm),
            "accept_from_mm": _finite(verdict.guard.accept_from_mm),
            "accept_to_mm": _finite(verdict.guard.accept_to_mm),
        },
        "chart": verdict.chart.name,
        "set_up": set_up(verdict.small, verdict.build).as_json(translate, language),
        "finger_room": None if (room := finger_room(verdict.instrument)) is None else room.as_json(translate, language),
        **explanation_json(verdict, translate, language),
    }


def _finite(value: float | None) -> float | None:
    return None if value is None or not isfinite(value) else round(value, 1)
