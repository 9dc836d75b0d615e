"""The desk in the field: a local web page of a day as it happens. It reads the day's folder, pulls units and settles marks."""
