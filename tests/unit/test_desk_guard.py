"""Who may see and change the desk."""

import re

import pytest

from apexfix.desk.guard import Door, TooManyTries, fresh_pin, is_own_host, is_own_origin
from apexfix.desk.serve import large


class Watch:
    now_s = 100.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def watch():
    return Watch()


def test_the_pin_opens_and_spaces_do_not_count(watch):
    door = Door("048151", watch)
    assert door.opens("048151")
    assert door.opens(" 048 151 ")


@pytest.mark.parametrize("guess", ["", "48151", "0481510", "048152", "０４８１５１", "048151\0"])
def test_nothing_else_opens(watch, guess):
    assert not Door("048151", watch).opens(guess)


def test_after_five_wrong_ones_in_a_minute_even_the_right_one_must_wait(watch):
    door = Door("048151", watch)
    for _ in range(5):
        assert not door.opens("000000")
        watch.now_s += 10
    with pytest.raises(TooManyTries):
        door.opens("048151")
    watch.now_s += 10.1  # the first of the five is a minute ago
    assert door.opens("048151")


def test_a_refused_try_does_not_lengthen_the_wait(watch):
    door = Door("048151", watch)
    for _ in range(5):
        door.opens("1")
    for _ in range(59):
        watch.now_s += 1
        with pytest.raises(TooManyTries):
            door.opens("1")
    watch.now_s += 1
    assert door.opens("048151")


def test_a_pin_has_six_digits_and_is_another_each_time():
    pins = {fresh_pin() for _ in range(50)}
    assert all(re.fullmatch(r"\d{6}", pin) for pin in pins)
    assert len(pins) > 45  # two equal ones among 50 of a million come once in 800 runs; five never


def test_the_large_figures_of_all_digits_differ():
    assert len({large(digit) for digit in "0123456789"}) == 10
    assert len(large("0123456789").splitlines()) == 5


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8321", "localhost:8321", "LOCALHOST", "[::1]:8321"])
def test_a_desk_answers_to_the_names_of_its_own_computer(host):
    assert is_own_host(host, False)
    assert is_own_host(host, True)


@pytest.mark.parametrize("host", ["", "evil.example", "127.0.0.1.evil.example", "localhost.evil.example:8321", "[", "desk:8321",
                                  "evil.example:80@127.0.0.1:8321", "0x7f000001:8321"])  # fmt: skip
@pytest.mark.parametrize("open_to_network", [False, True])
def test_a_name_that_a_stranger_can_point_here_is_refused(host, open_to_network):
    assert not is_own_host(host, open_to_network)


@pytest.mark.parametrize("host", ["192.168.0.7:8321", "10.1.2.3", "[fe80::1]:8321"])
def test_an_address_of_the_network_counts_only_where_the_desk_is_open_to_it(host):
    assert not is_own_host(host, False)
    assert is_own_host(host, True)


@pytest.mark.parametrize("origin", [None, "", "null", "http://evil.example", "https://127.0.0.1:8321", "http://127.0.0.1:8322",
                                    "http://127.0.0.1:8321.evil.example"])  # fmt: skip
def test_a_change_from_elsewhere_is_no_change_of_ours(origin):
    assert not is_own_origin(origin, "127.0.0.1:8321")
