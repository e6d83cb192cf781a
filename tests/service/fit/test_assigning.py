"""Who gets which instrument."""

from itertools import permutations

import numpy as np
import pytest

from calibration.quantity import Length
from service.fit.assigning import assign
from service.fit.choosing import choose
from service.fit.decision import PLAYED
from service.fit.errors import FitError
from service.fit.losses import LOSSES
from service.fit.ranking import rank
from service.fit.shelf import lent_out, read_class, read_shelf
from service.fit.signs import InstrumentCondition, PlayingSigns
from tests.service.fit.conftest import instrument

ARMS = {name: Length.stated(arm, 3) for name, arm in (("P1", 452), ("P2", 440), ("P3", 492), ("P4", 540))}


def test_a_class_gets_what_is_on_the_shelf_and_the_rest_is_ordered(chart):
    shelf = [instrument(255, name="A"), instrument(247, name="B"), instrument(281, name="C")]
    loans = assign(ARMS, shelf, chart)
    assert [each.child for each in loans] == list(ARMS)
    assert {each.instrument.name for each in loans if each.instrument} == {"A", "B", "C"}
    assert all(each.action in PLAYED for each in loans if each.instrument)
    assert loans[3].instrument is None
    assert loans[3].wanted.sizes == ("1/2",)
    assert loans[3].sentence().text().startswith("P4: Wanted: a violin")


def test_the_assignment_is_the_best_of_all(chart):
    """Against every permutation of three instruments among three children."""
    rng = np.random.default_rng(8)
    for _ in range(6):
        arms = {f"P{each}": Length.stated(float(rng.uniform(430, 480)), 4) for each in range(3)}
        shelf = [instrument(float(rng.uniform(245, 275)), name=str(each)) for each in range(3)]
        cost = np.full((3, 6), LOSSES.exchange)
        for row, arm in enumerate(arms.values()):
            choices = choose(arm, shelf, chart)
            played = [each in PLAYED for each in choices.actions]
            cost[row, :3] = np.where(played, choices.weighed.costs.play, 1e6)
        best = min(sum(cost[row, column] for row, column in enumerate(each)) for each in permutations(range(6), 3))
        loans = assign(arms, shelf, chart)
        found = sum(
            cost[row, int(each.instrument.name)] if each.instrument else LOSSES.exchange
            for row, each in enumerate(loans)
        )
        assert abs(found - best) < 1e-9


def test_nobody_gets_an_instrument_that_strains(chart):
    loans = assign({"P1": Length.stated(400, 3)}, [instrument(280, name="A")], chart)
    assert loans[0].instrument is None


@pytest.mark.parametrize("strained", ["P1", "P2"])
def test_what_was_seen_while_a_child_played_counts(chart, strained):
    """Of two like children the one whom the instrument, or one of its size, does not strain gets it."""
    shelf, other = [instrument(255, name="A")], instrument(256, name="own")
    arms = {name: Length.stated(452, 3) for name in ("P1", "P2")}
    for played in (shelf[0], other):
        signs = PlayingSigns(wrist_free=False, fingers_easy=False, elbow_bent=False)
        loans = assign(arms, shelf, chart, watched={strained: [(played, signs)]})
        assert {each.child: each.instrument is not None for each in loans} == {name: name != strained for name in arms}
        if played is shelf[0]:
            (alone,) = assign({strained: arms[strained]}, shelf, chart, watched={strained: [(played, signs)]})
            assert choose(arms[strained], shelf, chart, [signs]).actions[0] not in PLAYED
            assert alone.instrument is None


def test_a_wrong_row_of_a_class_is_counted_as_a_spreadsheet_does():
    """So are the rows of a shelf that is taken over on the pages and over HTTP."""
    with pytest.raises(FitError, match="List row 3"):
        read_class("name,arm\nP1,450\nP2,much\n")
    with pytest.raises(FitError, match="List row 2"):
        read_class("name,arm\nP1,9999\n")
    with pytest.raises(FitError, match="List row 5"):
        read_class('# autumn\nname,arm\n"P1",450\n\nP2,much\n')


def test_every_wrong_row_is_named_at_once():
    with pytest.raises(FitError, match=r"List row 2: .*Did you mean 43 cm.* List row 4: .* List row 5: .*twice"):
        read_class("name,arm\nP1,43\nP2,450\nP3,much\nP2,460\n")
    with pytest.raises(FitError, match=r"List row 2: .* List row 3: "):
        read_shelf("name,body_length,total_length\nA,much,421\nB,255,more\n")


def test_a_row_with_more_cells_than_columns_is_refused():
    """A decimal comma that makes two cells of one length is no length with another uncertainty."""
    with pytest.raises(FitError, match="List row 2: This row has more cells"):
        read_class("name,arm\nP1,452,5±10\n")
    with pytest.raises(FitError, match="List row 3: This row has more cells"):
        read_shelf("name,body_length,total_length\nA,255,421\nB,255,421,5±3\n")
    assert list(read_class("name,arm\nP1,452,,\n")) == ["P1"]  # empty cells, as spreadsheets append them


def test_a_size_of_which_a_spreadsheet_made_a_date_is_no_label():
    with pytest.raises(FitError, match="List row 3: a spreadsheet made a date of this size; write it like 1/8"):
        read_shelf("name,label,body_length,total_length\nA,1/8,255,421\nB,8-Jan,255,421\n")


def test_a_shelf_number_may_begin_with_a_hash():
    shelf = read_shelf("# spring\nname,body_length,total_length\n#12,255,421\n#13,246,406\n")
    assert [each.name for each, _ in shelf] == ["#12", "#13"]


def test_a_measured_string_of_a_shelf_is_read():
    ((one, _),) = read_shelf("name,body_length,total_length,string_length\nA,255,421,240±1\n")
    assert one.string_length is not None
    assert one.string_length.value_mm == 240
    with pytest.raises(FitError, match=r"List row 2: .*string"):
        read_shelf("name,body_length,total_length,string_length\nA,255,421,900\n")


def test_a_cell_that_a_row_leaves_out_is_empty():
    ((short, _),) = read_shelf("name,label,body_length,total_length\nA,1/8,255\n")
    assert (short.label, short.body.value_mm, short.total) == ("1/8", 255, None)
    assert read_shelf("name,body_length,total_length,label\nA,255,421\n")[0][0].label is None


def test_what_is_not_whole_is_given_to_nobody_and_what_is_kept_better_goes_first(chart):
    """A cracked instrument is repaired first; of two alike the better kept one is given, as in a ranking."""
    arm, shelf = Length.stated(450, 3), [instrument(255, name=each) for each in "ABC"]
    states = [InstrumentCondition(whole=False), InstrumentCondition(False), InstrumentCondition(True)]
    (one,) = assign({"P1": arm}, shelf, chart, conditions=states)
    assert one.instrument.name == rank(arm, shelf, chart, states)[0].instrument.name == "C"
    loans = assign({"P1": arm, "P2": arm, "P3": arm}, shelf, chart, conditions=states)
    assert {each.instrument.name for each in loans if each.instrument} == {"B", "C"}
    assert [each.wanted.sizes for each in loans if each.wanted] == [("1/8",)]


def test_how_an_instrument_is_kept_outweighs_no_size(chart):
    """It decides a tie of a day; an instrument that is too small by more is not given for its pegs."""
    shelf, states = [instrument(255, name="A"), instrument(240, name="B")], [InstrumentCondition(False, False, False)]
    (loan,) = assign(
        {"P1": Length.stated(455, 3)}, shelf, chart, conditions=[*states, InstrumentCondition(*[True] * 4)]
    )
    assert loan.instrument.name == "A"


def test_what_is_lent_stands_on_no_shelf():
    table = "name,body_length,total_length,lent\nA,255,421,yes\nB,246,406,no\nC,280,463,\n"
    assert [each.name for each, _ in read_shelf(table)] == ["B", "C"]
    assert lent_out(table) == ("A",)
    with pytest.raises(FitError, match="Write yes or no"):
        read_shelf("name,body_length,total_length,lent\nA,255,421,Loan 118\n")
