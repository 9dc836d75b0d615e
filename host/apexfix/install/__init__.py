"""From a bare board to a unit that has passed its first power-up."""
