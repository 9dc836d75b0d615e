"""The log of many days: the same rocket over days, prediction against measurement, and which unit or station is off."""
