"""How high did it fly? Directions from the ground, reduced to an apex with an honest uncertainty."""

__version__ = "0.1.0"
