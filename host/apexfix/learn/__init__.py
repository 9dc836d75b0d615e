"""Learning back: what measured flights say about the rocket that made them."""
