"""From the folder of a calibration to a unit's calibration, and the guide who fills that folder."""
