"""Against an on-board barometric altimeter: its heights, who belongs to whom, and how well the two agree."""
