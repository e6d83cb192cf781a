"""The cases of the trade on the pages: typed by a stranger, and on the page of a teacher's child."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape

import pytest
from httpx import Response
from sqlalchemy import delete, select

from calibration.quantity import length_json
from service.fit.chart import COLUMNS
from service.fit.chart_table import IN_UNITS, read_chart
from service.fit.lengths import parse_length
from service.records.tables import (
    ArmRecord,
    Child,
    Instrument,
    SignsRecord,
    StudioChart,
    TapeRecord,
    Teacher,
    VerdictRecord,
)
from tests.service.conftest import Place
from tests.service.seeding import NOW, Seeded, arm_result, seed
from tests.service.trade import (
    ASKED_BACK,
    CASES,
    CHART_UNITS,
    GROWTHS,
    TAPE_ARM,
    TAPE_SHOULDER,
    TAPES,
    Case,
    GrowthCase,
    chart_table,
)

UNSIGNED = [case for case in CASES if not case.signs]


def words_of(text: str) -> str:
    plain = re.sub(r"<[^>]+>", " ", text).replace("\u00a0", " ").replace("&#39;", "'")
    return " ".join(plain.split())


def ask(place: Place, case: Case) -> tuple[int, str]:
    typed = {"arm_length": case.arm, "body_length": case.body, "total_length": case.total, "label": case.label}
    answer = place.client.post("/", data=typed)
    return answer.status_code, words_of(answer.text)


def sent(place: Place, seeded: Seeded, path: str, **typed: str) -> Response:
    """What the studio's teacher gets who sends a form."""
    place.client.cookies.set("scrollreach", seeded.session)
    return place.client.post(path, data=typed | {"form_token": place.house.signer.form_token(seeded.sign_in_id)})


def shown(place: Place, seeded: Seeded, path: str) -> str:
    place.client.cookies.set("scrollreach", seeded.session)
    return words_of(place.client.get(path).text)


@pytest.mark.parametrize("case", UNSIGNED, ids=lambda case: case.name)
def test_what_is_said_to_whoever_types(place: Place, case: Case) -> None:
    status, said = ask(place, case)
    assert status == 200
    assert all(phrase in said for phrase in case.said)
    assert not [phrase for phrase in case.unsaid if phrase in said]


@pytest.mark.parametrize("case", ASKED_BACK, ids=lambda case: case.name)
def test_what_is_asked_back(place: Place, case: Case) -> None:
    status, said = ask(place, case)
    assert status == 422
    assert all(phrase in said for phrase in case.said)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_what_the_teacher_reads_in_the_review(place: Place, case: Case) -> None:
    """The verdict that a teacher keeps and a family reads in its report, with what was seen while playing."""
    seeded = seed(place.house)
    lengths = {"body_length": parse_length(case.body, "body"), "total_length": parse_length(case.total, "total")}
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.execute(delete(SignsRecord))
        records.execute(delete(ArmRecord).where(ArmRecord.corrected.is_(False)))  # two arms alike contradict growth
        for arm in records.scalars(select(ArmRecord)):
            arm.lengths = arm_result(450.0) | {"arm_length": length_json(parse_length(case.arm))}
        for each in records.scalars(select(Instrument)):
            each.lengths = {name: length_json(length) for name, length in lengths.items()}
            each.label = case.label or None
        if case.signs:
            records.add(
                SignsRecord(
                    studio_id=seeded.studio_id,
                    child_id=seeded.child_id,
                    instrument_id=seeded.instrument_id,
                    noted_on=NOW.date(),
                    answers=case.signs,
                )
            )
    kept = sent(place, seeded, f"/children/{seeded.child_id}/verdict", instrument_id=seeded.instrument_id)
    assert kept.status_code == 303
    said = shown(place, seeded, kept.headers["location"])
    assert all(phrase in said for phrase in case.said)
    assert not [phrase for phrase in case.unsaid if phrase in said]


@pytest.mark.parametrize("unit", CHART_UNITS)
def test_a_chart_in_another_unit_is_asked_back_and_never_taken(place: Place, unit: str) -> None:
    """Pasted, typed in rows, and looked at only: each time in millimetres as the page offers first."""
    seeded = seed(place.house)
    asked = f"Are its numbers {IN_UNITS[unit].text()}?"
    pasted = {"name": "Mine", "unit": "mm", "csv": chart_table(unit, stated=False)}
    head, *lines = (line.split(",") for line in pasted["csv"].splitlines())
    cells = {f"{column}-{n}": cell for n, line in enumerate(lines) for column, cell in zip(head, line, strict=True)}
    typed = {"name": "Mine", "unit": "mm"} | cells
    for form in (pasted, typed):
        refused = sent(place, seeded, "/charts/new", **form)
        assert refused.status_code == 422
        assert asked in words_of(refused.text)
        assert asked in words_of(sent(place, seeded, "/charts/preview", **form).text)
    assert "Mine" not in shown(place, seeded, "/charts")
    assert sent(place, seeded, "/charts/new", **typed | {"unit": unit}).status_code == 303
    stated = pasted | {"name": "Mine too", "csv": chart_table(unit, stated=True)}
    assert sent(place, seeded, "/charts/new", **stated).status_code == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        kept = [read_chart(each.csv) for each in records.scalars(select(StudioChart)) if each.name.startswith("Mine")]
    bodies = [row.body_length_mm for chart in kept for row in chart.rows]
    assert bodies == pytest.approx([240, 260] * 2, abs=0.2)


def test_a_refused_chart_is_shown_again_as_it_was_sent(place: Place) -> None:
    """Pasted text is still there; of rows an empty one stays where it was, so that the number names the same row."""
    seeded = seed(place.house)
    pasted = "Size;Arm;Body;Total\n1/8;430-470;255;421\n1/4;;280;463\n"
    refused = sent(place, seeded, "/charts/new", name="Ours", csv=pasted)
    said = re.findall(r'<div class="note bad"( role="alert")?>.*?</div>', refused.text, re.DOTALL)
    assert said == [' role="alert"'], "once"
    assert refused.text.index('role="alert"') < refused.text.index("<form method"), "where whoever saved looks first"
    assert "Chart row 3 (1/4): arm_from is empty." in words_of(refused.text)
    assert pasted.strip() in unescape(refused.text)
    rows = [("1/8", "430", "", "255", "421"), ("",) * 5, ("1/4", "420", "", "280", "463")]
    cells = {f"{column}-{n}": cell for n, row in enumerate(rows) for column, cell in zip(COLUMNS, row, strict=True)}
    again = sent(place, seeded, "/charts/new", name="Ours", **cells).text
    assert "Chart row 3 (1/4): its shortest arm is not longer than that of 1/8." in words_of(again)
    assert 'name="arm_from-2" value="420"' in again
    assert 'name="size-1" value=""' in again


def test_a_chart_may_name_its_columns_as_the_page_does(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Teacher, seeded.teacher_id).language = "de"
    page = place.client.get("/charts/new", headers={"cookie": f"scrollreach={seeded.session}"}).text
    heads = re.findall(r'<th scope="col">([^<]+)</th>', page)[:5]
    assert heads[0] == "Größe"
    pasted = "\t".join([f"{heads[0]}", *(f"{head} (cm)" for head in heads[1:])])
    made = sent(
        place, seeded, "/charts/new", name="Unsere", csv=f"{pasted}\n1/8\t43\t47\t25,5\t42,1\n1/4\t47\t\t28\t46,3\n"
    )
    assert made.status_code == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        kept = records.scalars(select(StudioChart).where(StudioChart.name == "Unsere")).one()
    assert read_chart(kept.csv).rows[0].body_length_mm == 255


def test_no_size_of_a_long_chart_is_lost_where_it_is_edited(place: Place) -> None:
    seeded = seed(place.house)
    lines = [f"{n}/99,{300 + 20 * n},,{180 + 10 * n},{300 + 16 * n}" for n in range(1, 19)]
    sent(
        place,
        seeded,
        "/charts/new",
        name="Long",
        csv="\n".join(["size,arm_from,arm_to,body_length,total_length", *lines]),
    )
    with place.house.store.for_studio(seeded.studio_id) as records:
        kept = records.scalars(select(StudioChart).where(StudioChart.name == "Long")).one()
    page = place.client.get(f"/charts/{kept.id}").text
    fields = dict(re.findall(r'name="([a-z_]+-\d+)" value="([^"]*)"', page))
    assert sent(place, seeded, f"/charts/{kept.id}", name="Long", **fields).status_code == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert len(read_chart(records.get_one(StudioChart, kept.id).csv).rows) == 18


def test_a_slip_of_the_tape_is_named_and_not_averaged_in(place: Place) -> None:
    seeded = seed(place.house)
    lengths = {"arm_length": TAPE_ARM, "shoulder_to_palm": TAPE_SHOULDER}
    with place.house.store.for_studio(seeded.studio_id) as records:
        for arm in records.scalars(select(ArmRecord)):
            arm.lengths = {name: length_json(parse_length(typed)) for name, typed in lengths.items()}
    for case in TAPES:
        with place.house.store.for_studio(seeded.studio_id) as records:
            records.execute(delete(TapeRecord))
        assert sent(place, seeded, f"/children/{seeded.child_id}/tape", reading=case.reading).status_code == 303
        said = shown(place, seeded, f"/children/{seeded.child_id}")
        assert [phrase for phrase in case.said if phrase not in said] == []
        assert [phrase for phrase in case.unsaid if phrase in said] == []


@pytest.mark.parametrize("case", GROWTHS, ids=lambda case: case.name)
def test_what_is_said_of_growth(place: Place, case: GrowthCase) -> None:
    seeded = seed(place.house)
    last = case.readings[-1][0]
    with place.house.store.for_studio(seeded.studio_id) as records:
        child = records.get_one(Child, seeded.child_id)
        child.birth_year, child.birth_month = NOW.year - int(last), NOW.month
        records.get_one(Instrument, seeded.instrument_id).lengths = {
            "body_length": length_json(parse_length(case.body, "body"))
        }
        records.execute(delete(TapeRecord))
        records.execute(delete(VerdictRecord))
        records.execute(delete(ArmRecord))
        for age, arm in case.readings:
            measured = NOW - timedelta(days=365.25 * (last - age))
            records.add(
                ArmRecord(
                    studio_id=seeded.studio_id,
                    child_id=seeded.child_id,
                    measured_on=measured.date(),
                    lengths={"arm_length": length_json(parse_length(arm))},
                    automatic={},
                    corrected=False,
                    accepted_at=measured,
                    teacher_id=seeded.teacher_id,
                    program_version="",
                )
            )
    said = shown(place, seeded, f"/children/{seeded.child_id}")
    assert all(phrase in said for phrase in case.said)
    assert not [phrase for phrase in case.unsaid if phrase in said]
