"""What a unit's sensors get wrong, and how to take it out of raw counts."""
