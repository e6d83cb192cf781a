"""Requests that nobody sends by mistake, from seeds: encodings, numbers, nesting and shapes that break parsers."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from dataclasses import dataclass, field

ENCODINGS = ("punycode", "utf-7", "unicode_escape", "undefined", "idna", "zlib", "rot13", "utf-16", "cp037", "nonsense")
ODD_NUMBERS = ("1e308", "-1e308", "1e-320", "NaN", "Infinity", "9" * 400, "9" * 5000, "true", '"²"', '"\\ud800"', "[]")
MULTIPART = {"content-type": "multipart/form-data; boundary=b"}
JSON = {"content-type": "application/json"}
FORM = {"content-type": "application/x-www-form-urlencoded"}


@dataclass(frozen=True)
class Malformed:
    """A request and what it is about."""

    about: str
    method: str
    path: str
    content: bytes = b""
    headers: dict[str, str | bytes] = field(default_factory=dict)


def part(value: bytes, more: bytes = b"") -> bytes:
    """A multipart body with one field."""
    return b'--b\r\nContent-Disposition: form-data; name="arm"' + more + b"\r\n\r\n" + value + b"\r\n--b--\r\n"


def malformed(seed: int = 1) -> Iterator[Malformed]:
    """More than two hundred of them."""
    yield from _forms()
    yield from _numbers()
    yield from _shapes()
    yield from _addresses()
    yield from _mutated(random.Random(seed))


def _forms() -> Iterator[Malformed]:
    slow = b"x" * 150_000 + b"-" + b"a" * 150_000  # as punycode: each letter is put in by itself, seconds in all
    for name in ENCODINGS:
        head: dict[str, str | bytes] = {"content-type": f"multipart/form-data; boundary=b; charset={name}"}
        yield Malformed(f"form in {name}", "POST", "/", part(slow), head)
        yield Malformed(
            f"sign-in in {name}",
            "POST",
            "/sign-in",
            b"email=a",
            {"content-type": f"{FORM['content-type']}; charset={name}"},
        )
        yield Malformed(
            f"name in {name}", "POST", "/", part(b"x", f"; filename*={name}''a-a-".encode()), dict(MULTIPART)
        )
    for about, body in {
        "line ends": part(b"\r\n--" * 500_000),
        "endless header": b"--b\r\n" + b"X" * 500_000 + b": a\r\n\r\n",
        "many headers": b"--b\r\n" + b"X: a\r\n" * 100_000,
        "many fields": b"".join(part(b"x")[:-6] + b"\r\n" for _ in range(3000)),
        "no end": part(b"x")[:-9],
        "nothing": b"",
        "zero bytes": b"\0" * 10_000,
    }.items():
        yield Malformed(f"form: {about}", "POST", "/", body, dict(MULTIPART))
    yield Malformed("form without boundary", "POST", "/", part(b"x"), {"content-type": "multipart/form-data"})
    yield Malformed("many ampersands", "POST", "/", b"&" * 3_000_000, dict(FORM))
    yield Malformed("some ampersands", "POST", "/", b"&" * 120_000, dict(FORM))
    yield Malformed("odd escapes", "POST", "/", b"a=%ff%00%ed%a0%80&arm=%C2%B2&body=%&total=%zz", dict(FORM))


def _numbers() -> Iterator[Malformed]:
    sure = '{"value_mm":450,"standard_uncertainty_mm":1,'
    questions = {
        "orders": '{"arm_length":"450","growth_mm":%s}',
        "orders ": '{"arm_length":{"value_mm":%s,"standard_uncertainty_mm":1}}',
        "orders  ": '{"arm_length":{"value_mm":450,"standard_uncertainty_mm":%s}}',
        "orders   ": '{"arm_length":' + sure + '"budget":[{"source":"","contribution_mm":%s}]}}',
        "orders    ": '{"arm_length":"450","lasting_months":6,"age_years":%s}',
        "orders     ": '{"arm_length":"450","chart":{"rows":[{"size":"S","arm_from_mm":%s,"body_length_mm":240,'
        '"total_length_mm":400},{"size":"L","arm_from_mm":440,"body_length_mm":260,"total_length_mm":430}]}}',
        "tape-checks": '{"reading":"418","arm_length":{"value_mm":455,"standard_uncertainty_mm":%s}}',
        "growth-predictions": '{"measurements":[{"age_years":%s,"arm_length":"450"}]}',
        "growth-predictions ": '{"measurements":[{"age_years":6,"arm_length":"450"}],"months":%s}',
        "comparisons": '{"arm_length":"450","instruments":[{"body_length":%s,"total_length":"421"}]}',
    }
    for name, question in questions.items():
        for number in ODD_NUMBERS:
            yield Malformed(
                f"{question} {number[:20]}", "POST", f"/api/v1/{name.strip()}", (question % number).encode(), dict(JSON)
            )


def _shapes() -> Iterator[Malformed]:
    wrong = {"name": 1, "body_length": [], "total_length": {}}
    for about, path, body in (
        ("deep", "orders", b"[" * 400_000),
        ("deep and closed", "orders", b"[" * 100_000 + b"]" * 100_000),
        ("deep arm", "orders", b'{"arm_length":' * 50_000 + b"1" + b"}" * 50_000),
        ("large", "orders", b'{"arm_length":"450","x":[' + b"1," * 2_500_000 + b"1]}"),
        ("another encoding", "orders", '{"arm_length":"450"}'.encode("utf-16")),
        ("broken utf-8", "orders", b'{"arm_length":"\xff"}'),
        (
            "thousands of faults",
            "comparisons",
            json.dumps({"arm_length": "450", "instruments": [wrong] * 5000}).encode(),
        ),
        (
            "half a character as a name",
            "class-verdicts",
            b'{"instrument":{"body_length":"255","total_length":"421"},"arms":{"\\ud800":"450"}}',
        ),
        (
            "half a character as a label",
            "comparisons",
            b'{"arm_length":"450","instruments":[{"body_length":"255","total_length":"421","name":"\\ud800","label":"\\udfff"}]}',
        ),
    ):
        yield Malformed(about, "POST", f"/api/v1/{path}", body, dict(JSON))


def _addresses() -> Iterator[Malformed]:
    for path in (
        "/f/%ff",
        "/f/%00",
        "/children/%00",
        "/welcome/%ed%a0%80",
        "/r/a.%C2%B2",
        "/static/%00",
        "/static/%ff",
        "/f/" + "a" * 30_000,
        "/%0a",
    ):
        yield Malformed(f"address {path[:20]}", "GET", path)
    for name, value in (
        ("cookie", b"scrollreach=\xff\xfe"),
        ("accept-language", b"\xff," * 1000 + b"q=a"),
        ("host", b"\xff[::"),
        ("accept", b"*" * 9000),
    ):
        yield Malformed(f"head {name}", "GET", "/", headers={name: value})
    for origin in ("http://[::", "null", "\x7f", "http://a:b:c"):
        yield Malformed(f"origin {origin}", "POST", "/", headers={"origin": origin})
    for length in (b"\xb2", b"-1", b"1" * 400, b"1e3", b"0x10"):
        yield Malformed(f"length {length[:9]!r}", "POST", "/api/v1/orders", headers={"content-length": length} | JSON)


def _mutated(chance: random.Random) -> Iterator[Malformed]:
    question = b'{"arm_length":{"value_mm":450,"standard_uncertainty_mm":4},"chart":null,"language":"de"}'
    form = part(b"450", b'; filename="a.jpg"\r\nContent-Type: image/jpeg')
    for number in range(40):
        for about, path, whole, head in (
            ("json", "/api/v1/orders", question, JSON),
            ("form", "/api/v1/verdicts", form, MULTIPART),
        ):
            broken = bytearray(whole)
            for _ in range(chance.randint(1, 6)):
                broken[chance.randrange(len(broken))] = chance.randrange(256)
            yield Malformed(f"{about} {number}", "POST", path, bytes(broken), dict(head))
