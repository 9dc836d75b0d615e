"""The stand-ins and their scripts are MicroPython: CPython must not import them."""

collect_ignore_glob = ["board/*"]
