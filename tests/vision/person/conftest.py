"""The sample photo on which a neck, a chin and shoulders are looked for."""

import pytest

from tests.vision import sample_photos
from vision.person.pose import Person, find_people
from vision.photo import Photo


@pytest.fixture(scope="session")
def photo() -> Photo:
    return sample_photos.photo("child-2")


@pytest.fixture(scope="session")
def person(photo: Photo) -> Person:
    return find_people(photo.rgb)[0]
