"""A person in a photo: body, hand, face and the side of the neck."""
