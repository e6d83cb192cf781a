"""Feet of a shoulder rest: strings of one letter a node, as rendered scenes with and without a rest gave them."""

from __future__ import annotations

import numpy as np
import pytest

from vision.instrument import shoulder_rest

GRIPPED = {
    "both feet, beside a chin rest": (
        "cccccccccbbbbbbbbccbbbbbbcccbbbbbbbbbbbbbbbbbbbbbbbb",
        "###occccc........##......###........................",
    ),
    "small photo, one foot narrower than two nodes": (
        "ccccccccbbbbbbbbbcbbbbbbbcccbbbbbbbbbbbbbbbbbbbbbbbb",
        "cccccccc........##......###c........................",
    ),
    "one foot, the other beside a part that is not seen": (
        "cccccc-bbbbbbbbbbbbbbbbbccbbbbbbbbbbbbbbbb-------bbb",
        "cccc##.................####...............????????..",
    ),
}
BARE = {
    "edge hard to see, oblique": (
        "bbbbbbbbbbbcbccccccbbbbbbbbbbbbbbbbbbbcccbbbbbbccccc",
        "...........c.cccccc...................ccc......ccccc",
    ),
    "small photo": (
        "bbbbbbbbbbbbbbbbbbbbbbbbbbbcbbbcbbbbbbcbbccbbbbbbbbb",
        "...........................c...c......c..cc.........",
    ),
    "shade towards the corner": (
        "bbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbccbb",
        "................................................cooo",
    ),
    "chin rest": (
        "ccccccccccccccbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbb",
        "ccccccccco##cc......................................",
    ),
    "dark spot on the ground away from the edge": (
        "bbbbbbbccbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbb",
        ".......cc...........###.............................",
    ),
}

STICKING_OUT = {
    "both feet": "cccccccc........##......##o........................",
    "both feet, small photo": "cccccccc........o#o.....o##o........................",
    "both feet, ground unseen towards the corner": ".......................o##o.....#o..????????........",
    "both feet, one of which covers some of the edge": "ooooccccc......c##o.....###.........................",
    "one foot, the ground unseen beyond it": "ccccccccccccc...##.....?????????????????????????????",
    "one foot where the ground begins to be unseen": "................................o##???????o.........",
}
NOTHING_STICKS_OUT = {
    "chin rest alone": "cccc###cc.................................???.......",
    "chin rest with a shade beyond it": "ccco##oc................................????????....",
    "lower end in the shade": "##o.................................................",
    "one dark spot": ".............................##.....................",
    "one dark node before unseen ground": ".............................#......???.............",
    "dark far from where the ground is unseen": "...............##..................????.............",
    "dark at the corner, beyond unseen ground": ".............................................????###",
    "two, too far apart for one bout": "....##...................................##.........",
}


@pytest.mark.parametrize("case", GRIPPED)
def test_feet_cover_the_edge_and_stick_out(case: str) -> None:
    assert shoulder_rest._grips(*GRIPPED[case], on_dark=False)


@pytest.mark.parametrize("case", BARE)
def test_an_edge_that_is_hard_to_see_is_not_gripped(case: str) -> None:
    assert not shoulder_rest._grips(*BARE[case], on_dark=False)


def test_on_a_dark_ground_what_covers_the_edge_must_do() -> None:
    """Feet do not show on it; an edge covered in three places is one that is hard to see."""
    one, three = "bbbbbccbbbbbbbb", "bbbccbbbbccbbbbcccbbb"
    assert shoulder_rest._grips(one, "." * len(one), on_dark=True)
    assert not shoulder_rest._grips(one, "." * len(one), on_dark=False)
    assert not shoulder_rest._grips(three, "." * len(three), on_dark=True)
    assert not shoulder_rest._grips("b" * 20, "." * 20, on_dark=True)


def test_which_ground_is_dark() -> None:
    assert shoulder_rest._on_dark(np.array([30.0, 35.0, np.nan, 200.0]))
    assert not shoulder_rest._on_dark(np.array([30.0, 120.0, 130.0]))
    assert not shoulder_rest._on_dark(np.array([np.nan, np.nan]))


@pytest.mark.parametrize("case", STICKING_OUT)
def test_feet_stick_out_from_a_bare_edge(case: str) -> None:
    assert shoulder_rest._BESIDE_THE_EDGE.search(STICKING_OUT[case])


@pytest.mark.parametrize("case", NOTHING_STICKS_OUT)
def test_one_dark_thing_on_seen_ground_is_no_shoulder_rest(case: str) -> None:
    assert not shoulder_rest._BESIDE_THE_EDGE.search(NOTHING_STICKS_OUT[case])
