"""The line of every key, whatever stands around it."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.toml_lines import key_lines, line_of

TWISTED = '''\
# a = 1   a comment that looks like a key
a = 7 # b = 8

"quoted key" = "a = 7"
'a.b' = """
a = 7
[[station]]
\\""" a quote of three, escaped
id = "B"
""""
list = [
  1, # ] a bracket in a comment
  "]",
  [2, 3],
]
inline = { a = 7, b = { a = 7 } }
dotted.inner . "most" = 1
literal = \'\'\'
[site]
\'\'\'

[ site ] # [pad]
a = 7
[[ station ]]
id = "A"
a = 7
[[station]]
id = "A"
a = 7
  [station.unit]
  a = 7
[[station.target]]
a = 7
[[station.target]]
a = 7
[[station]]
a=7
'''


def test_every_key_of_a_twisted_document_is_found_on_its_line():
    assert key_lines(TWISTED) == {
        ("a",): 2,
        ("quoted key",): 4,
        ("a.b",): 5,
        ("list",): 11,
        ("inline",): 16,
        ("dotted", "inner", "most"): 17,
        ("literal",): 18,
        ("site",): 22,
        ("site", "a"): 23,
        ("station",): 24,
        ("station", 0): 24,
        ("station", 0, "id"): 25,
        ("station", 0, "a"): 26,
        ("station", 1): 27,
        ("station", 1, "id"): 28,
        ("station", 1, "a"): 29,
        ("station", 1, "unit"): 30,
        ("station", 1, "unit", "a"): 31,
        ("station", 1, "target"): 32,
        ("station", 1, "target", 0): 32,
        ("station", 1, "target", 0, "a"): 33,
        ("station", 1, "target", 1): 34,
        ("station", 1, "target", 1, "a"): 35,
        ("station", 2): 36,
        ("station", 2, "a"): 37,
    }


def valued(document, place):
    for step in place:
        document = document[step]
    return document


def test_every_place_that_is_found_leads_to_a_value_in_the_parsed_document():
    document = tomllib.loads(TWISTED)
    for place in key_lines(TWISTED):
        valued(document, place)


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_line_endings_do_not_move_the_lines(ending):
    text = TWISTED.replace("\n", ending)
    assert tomllib.loads(text)
    assert key_lines(text) == key_lines(TWISTED)


def test_a_missing_key_is_looked_for_at_its_table():
    lines = key_lines("[site]\n[[station]]\nid = 'A'\n")
    assert line_of(lines, ("station", 0, "up_m")) == 2
    assert line_of(lines, ("station", 0, "id")) == 3
    assert line_of(lines, ("pad", "latitude_deg")) is None


NAMES = st.text(st.sampled_from("ab.\"'# =[]\n\\"), max_size=4)


def written(name):
    return '"' + name.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


@given(st.dictionaries(NAMES, st.dictionaries(NAMES, NAMES, max_size=3), max_size=3), st.integers(0, 2))
def test_any_names_and_values_are_found_where_they_were_written(tables, gap):
    text, expected, line = "", {}, 1
    for table, keys in tables.items():
        text += "\n" * gap + f"[{written(table)}]\n"
        line += gap
        expected[(table,)] = line
        for number, (key, value) in enumerate(keys.items(), 1):
            text += f"{written(key)} = {written(value)}\n"
            expected[(table, key)] = line + number
        line += 1 + len(keys)
    assert tomllib.loads(text) == tables
    assert key_lines(text) == expected
