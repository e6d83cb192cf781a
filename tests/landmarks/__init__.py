"""How far the body model's landmarks are from points that people marked."""
