"""Customary sizes: never read off, only weighed."""

import pytest

from calibration.quantity import Length
from vision.labels import SIZES, check_label, size_probabilities, viola_size_inches


@pytest.mark.parametrize("size", SIZES, ids=lambda size: size.name)
def test_the_usual_length_is_called_by_its_name(size):
    chances = size_probabilities(Length.stated(size.body_mm, 0.8))
    assert max(chances, key=chances.get) == size.name
    assert sum(chances.values()) == pytest.approx(1.0)


# Published lengths for one name (facts from L'Art du Luthier, 1903, and a maker's table): 1/2 from 302 to 320 mm.
@pytest.mark.parametrize("body_mm", [302.0, 310.0, 320.0])
def test_every_published_half_size_agrees_with_its_label(body_mm):
    assert check_label("1/2", Length.stated(body_mm, 1.0)).agrees


def test_a_mislabelled_instrument_is_said_to_be_so():
    check = check_label("1/8", Length.stated(234.0, 1.0))
    assert not check.agrees
    assert check.measures_like == "1/10"


def test_seven_eighths_is_told_from_full_size_only_by_a_good_measurement():
    sure = size_probabilities(Length.stated(352.0, 0.5))
    unsure = size_probabilities(Length.stated(352.0, 8.0))
    assert max(unsure.values()) < max(sure.values())


def test_an_unknown_label_is_an_error():
    with pytest.raises(ValueError, match="5/4"):
        check_label("5/4", Length.stated(356.0, 1.0))


# Violas are sold by inches: 15 1/2 in is 393.7 mm.
@pytest.mark.parametrize(("body_mm", "inches"), [(393.7, 15.5), (406.4, 16.0), (381.0, 15.0)])
def test_violas_in_inches(body_mm, inches):
    assert viola_size_inches(Length.stated(body_mm, 1.0)) == inches


def test_a_violin_is_no_viola():
    assert viola_size_inches(Length.stated(357.0, 1.0)) is None


def test_far_from_all_sizes_the_nearest_is_named():
    chances = size_probabilities(Length.stated(120.0, 1.0))
    assert chances["1/32"] == 1.0
