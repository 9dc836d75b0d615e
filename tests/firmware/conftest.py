"""The scripts and the stand-ins are MicroPython: CPython must not import them."""

collect_ignore_glob = ["board/*", "scripts/*"]
