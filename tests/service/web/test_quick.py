"""The page without sign-in: what is to be known of a usable photo stands beside what was measured in it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.measuring.outcome import Outcome
from tests.service.conftest import Place
from vision.problems import STATED_BUILD


@pytest.mark.parametrize(("language", "words"), [("en", STATED_BUILD.message), ("de", "Alter")])
def test_remarks_of_a_usable_photo_are_shown(
    place: Place, monkeypatch: pytest.MonkeyPatch, language: str, words: str
) -> None:
    measure = place.pool.arm

    async def with_a_remark(*given: object) -> Outcome:
        outcome = await measure(*given)  # type: ignore[arg-type]
        remark = {"code": STATED_BUILD.code, "message": STATED_BUILD.message, "advice": STATED_BUILD.advice}
        return replace(outcome, result=outcome.result | {"problems": [remark]})

    def send() -> str:
        typed = {"body_length": "255±2", "total_length": "421±3"}
        photo = {"child_photo": ("a.jpg", b"photo", "image/jpeg")}
        answer = place.client.post(f"/?language={language}", data=typed, files=photo)
        assert answer.status_code == 200
        return answer.text

    assert words not in send()
    monkeypatch.setattr(place.pool, "arm", with_a_remark)
    assert words in send()
