"""Charts: what is read, what is refused and why, and what lies between the rows."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fit.chart import Chart
from service.fit.chart_table import chart_from_entries, default_chart, read_chart
from service.fit.errors import ChartError
from service.fit.rows import MOST_NAMED

HEADER = "size,arm_from,arm_to,body_length,total_length\n"


def test_the_default_says_that_it_is_common_practice():
    chart = default_chart()
    assert "no source" in chart.note
    assert chart.sizes == ("1/32", "1/16", "1/10", "1/8", "1/4", "1/2", "3/4", "4/4")


def test_each_row_is_met_exactly():
    chart = default_chart()
    for kind, lengths in (("body", chart.bodies_mm), ("total", chart.totals_mm)):
        np.testing.assert_allclose(chart.shortest_arm_mm(lengths, kind), [row.arm_from_mm for row in chart.rows])
        np.testing.assert_allclose(chart.longest_arm_mm(lengths, kind), [row.arm_to_mm for row in chart.rows])
        np.testing.assert_allclose(chart.position(lengths, kind), range(len(chart.rows)), atol=1e-12)


@given(st.floats(150, 400), st.floats(0.1, 30))
def test_a_longer_instrument_asks_for_a_longer_arm(body, more):
    chart = default_chart()
    low, high = chart.shortest_arm_mm(np.array([body, body + more]), "body")
    assert high > low
    ends = chart.longest_arm_mm(np.array([body, body + more]), "body")
    assert ends[1] >= ends[0]


@given(st.sampled_from(range(1, 8)), st.floats(0.001, 0.01))
def test_a_common_scale_error_nearly_cancels_at_every_size(place, error):
    """Arm and instrument both too long by one factor: the ratio of arm to shortest arm moves by less than a fifth.

    The chart is not a straight line, so at a size the mean of the errors to both sides counts; below the smallest size
    there is only one side.
    """
    chart = default_chart()
    row = chart.rows[place]

    def ratio(factor: float) -> float:
        shortest = [
            float(chart.shortest_arm_mm(row.body_length_mm * factor, "body")),
            float(chart.shortest_arm_mm(row.total_length_mm * factor, "total")),
        ]
        return row.arm_from_mm * factor / np.mean(shortest)

    change = (np.log(ratio(1 + error)) - np.log(ratio(1 - error))) / 2
    assert abs(change) < error / 5


def test_units_and_separators_make_no_difference():
    in_mm = read_chart(HEADER + "1/8,430,470,255,421\n1/4,470,,280,463\n")
    in_cm = read_chart(
        "size;arm_from_cm;arm_to_cm;body_length_cm;total_length_cm\n1/4;47;;28;46,3\n1/8;43,0;47;25,5;42,1\n"
    )
    in_inches = read_chart(
        "size,arm_from_in,arm_to_in,body_length_mm,total_length_mm\n1/8,16.929134,18.503937,255,421\n1/4,18.503937,,280,463\n"
    )
    assert in_cm.rows == in_mm.rows
    for ours, theirs in zip(in_inches.rows, in_mm.rows, strict=True):
        assert ours.arm_from_mm == pytest.approx(theirs.arm_from_mm, abs=1e-3)


def test_an_empty_longest_arm_reaches_to_the_next_size():
    chart = read_chart(HEADER + "1/8,430,,255,421\n1/4,470,,280,463\n")
    assert chart.rows[0].arm_to_mm == 470
    assert np.isinf(chart.rows[1].arm_to_mm)


def test_what_is_written_is_read_again():
    chart = default_chart()
    again = read_chart(chart.as_csv(), chart.name)
    assert again == chart
    entries = chart.as_json()
    assert chart_from_entries(entries["rows"], chart.name, note=chart.note) == chart


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("1/8,430,470,255,421\n", "at least two sizes"),
        ("1/8,430,470,255,421\n1/4,480,,280,463\n", r"row 3 \(1/4\).*between 470 and 480 mm belong to no size"),
        ("1/8,430,470,255,421\n1/4,420,500,280,463\n", r"row 3 \(1/4\).*shortest arm is not longer than that of 1/8"),
        ("1/8,430,520,255,421\n1/4,470,500,280,463\n", r"row 3 \(1/4\).*longest arm"),
        ("1/8,430,470,255,421\n1/8,470,,280,463\n", "twice"),
        ("1/8,430,470,255,421\n1/4,470,,280,420\n", "total length is not longer than that of 1/8"),
        ("1/8,430,470,255,250\n1/4,470,,280,463\n", r"row 2 \(1/8\).*not longer than its body"),
        ("1/8,430,430,255,421\n1/4,470,,280,463\n", "longest arm is not longer than its shortest"),
        ("1/8,long,470,255,421\n1/4,470,,280,463\n", "“long” is not a number"),
        ("1/8,,470,255,421\n1/4,470,,280,463\n", r"row 2 \(1/8\): arm_from is empty"),
        ("1/8,430,470,255\n1/4,470,,280,463\n", "row 2: it has 4 entries instead of 5"),
        (",430,470,255,421\n1/4,470,,280,463\n", "row 2: it names no size"),
        ("1/8,-430,470,255,421\n1/4,470,,280,463\n", "more than zero"),
        ("1/8,nan,470,255,421\n1/4,470,,280,463\n", "more than zero"),
        ("", "The chart is empty"),
        ("1/4,420,500,280,463\n1/8,430,470,255,421\n", r"row 2 \(1/4\).*shortest arm is not longer than that of 1/8"),
    ],
)
def test_a_chart_that_leaves_a_verdict_undefined_is_refused_with_row_and_reason(rows, words):
    with pytest.raises(ChartError, match=words):
        read_chart(HEADER + rows)


def test_no_chart_is_made_of_rows_that_leave_a_verdict_undefined():
    """Rows that did not come from a table: the editor's, an interface's, a kept chart's."""
    rows = default_chart().rows
    with pytest.raises(ChartError, match="only the largest size may have no longest arm"):
        Chart("turned round", tuple(reversed(rows)))
    with pytest.raises(ChartError, match="at least two sizes"):
        Chart("one", rows[:1])


AS_WRITTEN = (
    "Size;Arm from (cm);Arm to (cm);Body (cm);Total (cm)\n1/8;43;47;25,5;42,1\n1/4;47;;28;46,3\n;;;;\n",
    "Size\tArm length [cm]\tAge\tBody length\tTotal length\n⅛\t43 – 47\t5-6\t255\t421\n¼\t47+\t7\t280\t463\t\n",
    "size,arm,body,overall length\n1/8,430 mm to 470 mm,25.5 cm,421\n1/4,470,280,463\n",
    "Size;Arm;Body (in);Total (in)\n1/8;430;10;16 1/2\n1/4;470;11”;18¼\n",
)


@pytest.mark.parametrize("table", AS_WRITTEN)
def test_a_chart_is_read_as_shops_and_spreadsheets_write_it(table):
    small, large = read_chart(table).rows
    assert (small.arm_from_mm, small.arm_to_mm, large.arm_from_mm, large.arm_to_mm) == (430, 470, 470, np.inf)
    assert (small.body_length_mm, large.body_length_mm) == pytest.approx((255, 280), abs=1.1)
    assert (small.total_length_mm, large.total_length_mm) == pytest.approx((421, 463), abs=2)


@pytest.mark.parametrize("size", ["01. Aug", "8-Jan", "Jan-08", "08.01.2026", "2026-01-08"])
def test_a_size_of_which_a_spreadsheet_made_a_date_is_refused(size):
    with pytest.raises(ChartError, match=r"row 2 \(.*\): a spreadsheet made a date of this size; write it like 1/8"):
        read_chart(HEADER + f"{size},430,470,255,421\n1/4,470,,280,463\n")


def test_missing_columns_are_named():
    with pytest.raises(ChartError, match="arm_to, total_length is missing"):
        read_chart("size,arm_from,body_length\n1/8,430,255\n")
    with pytest.raises(ChartError, match="empty"):
        read_chart("# nothing\n")


@pytest.mark.parametrize("spelling", ["1/8", "⅛", " 1/8 ", "1/8 violin", "1 / 8", "1⁄8", "１／８", "１/８", "١/٨"])
def test_a_size_is_found_however_it_is_spelled(spelling):
    row = default_chart().row(spelling)
    assert row is not None
    assert row.size == "1/8"


@pytest.mark.parametrize("size", ["999", "8"])
def test_a_number_alone_is_no_size(size):
    rows = f"{size},400,430,240,400\n1/4,430,470,260,430\n"
    with pytest.raises(ChartError, match="a number alone is no size"):
        read_chart(HEADER + rows)


@pytest.mark.parametrize(("factor", "unit", "named"), [(10.0, "cm", "in centimetres"), (25.4, "in", "in inches")])
def test_a_chart_in_another_unit_is_asked_back(factor, unit, named):
    """Never taken silently: neither as millimetres nor converted on a guess."""
    lines = ["size,arm_from,arm_to,body_length,total_length"]
    for row in default_chart().rows:
        numbers = (row.arm_from_mm, None, row.body_length_mm, row.total_length_mm)
        lines.append(",".join([row.size, *("" if each is None else f"{each / factor:.2f}" for each in numbers)]))
    with pytest.raises(ChartError, match=rf"Are its numbers {named}\? .* as body_length_{unit}, "):
        read_chart("\n".join(lines))
    assert read_chart("\n".join(lines), unit=unit).rows[3].body_length_mm == pytest.approx(255, abs=0.2)


def test_every_row_that_cannot_be_read_is_named():
    rows = "1/8,much,430,x,0\n1/4,,470,280,463\n,470,510,310,515\n1/2,510,555,335,555\n"
    with pytest.raises(ChartError) as refused:
        read_chart(HEADER + rows)
    assert str(refused.value) == (
        "Chart row 2 (1/8): “much” is not a number. Chart row 2 (1/8): “x” is not a number. Chart row 2 (1/8): "
        "total_length must be more than zero. Chart row 3 (1/4): arm_from is empty. Chart row 4: it names no size."
    )
    with pytest.raises(ChartError) as short:
        read_chart(HEADER + "1/8,430\n1/4,470,510,280,463\n1/2,510\n")
    told = [f"Chart row {number}: it has 2 entries instead of 5." for number in (2, 4)]
    assert str(short.value) == " ".join(told)


def test_a_wrong_row_is_named_by_its_line():
    """Notes, empty lines and the heading count, as they do in an editor or a spreadsheet."""
    with pytest.raises(ChartError, match=r"row 6 \(1/4\): arm_from is empty"):
        read_chart(f"# ours\n\n{HEADER}1/8,430,470,255,421\n\n1/4,,510,280,463\n")
    with pytest.raises(ChartError, match=r"row 6 \(1/4\): its shortest arm is not longer"):
        read_chart(f"# ours\n\n{HEADER}1/8,430,470,255,421\n\n1/4,420,510,280,463\n")


def test_of_many_wrong_rows_ten_are_named():
    with pytest.raises(ChartError) as refused:
        read_chart(HEADER + "1/8,x,x,y,y\n" * 14)
    assert str(refused.value).count("“y”") == MOST_NAMED
    assert str(refused.value).count("“x”") == MOST_NAMED, "once a row"
    assert f"row {MOST_NAMED + 1} " in str(refused.value)
    assert f"row {MOST_NAMED + 2}" not in str(refused.value)


def test_every_row_that_is_no_violin_is_named():
    text = "size,arm_from,arm_to,body_length,total_length\nA,400,440,255,421\nB,440,480,900,1400\nC,480,,1000,1500\n"
    with pytest.raises(ChartError, match=r"B \(900 mm\), C \(1000 mm\)"):
        read_chart(text)


@pytest.mark.parametrize(
    ("stated", "factor", "meant"),
    [
        ("mm", 0.1, "in centimetres"),
        ("mm", 1 / 25.4, "in inches"),
        ("cm", 1.0, "in millimetres"),
        ("in", 1.0, "in millimetres"),
    ],
)
def test_a_chart_in_another_unit_than_stated_is_asked_back(stated, factor, meant):
    """Bodies of 240 and 262 mm, written in one unit and read in another: what they look like is named."""
    rows = [
        {"size": size, "arm_from": arm * factor, "body_length": body * factor, "total_length": total * factor}
        for size, arm, body, total in (("S", 400, 240, 402), ("M", 441, 262, 434))
    ]
    with pytest.raises(ChartError, match=rf"Are its numbers {meant}\?"):
        chart_from_entries(rows, "own", stated)
