"""Films share the machine code of a kernel where they differ in nothing that it reads."""

from typing import Any, NamedTuple

import numpy as np
import pytest
from numba import njit
from numba.core.errors import TypingError

from sim.kernels.vectors.calls import Kernel, Packed


class Inner(NamedTuple):
    values: Any
    scale: Any


class Film(NamedTuple):
    unread: Any  # first in the table, so that a shifted field would be seen
    inner: Any
    result: Any
    words: Any
    count: int


@njit(error_model="numpy", inline="always")
def scaled(film, k):
    return film.inner.scale * film.inner.values[k]


def fill(block, film):
    for k in range(film.count):
        film.result[block, k] = scaled(film, k) + film.words[k]


@njit(error_model="numpy")
def apart(film):
    return film.count


def counted(block, film):
    film.result[0, 0] = apart(film)


def hidden(block, film):
    film.result[0, 0] = getattr(film, "unread")[0]  # noqa: B009


def a_film(unread, words):
    inner = Inner(np.arange(3.0), 2.0)
    return Film(unread, inner, np.zeros((2, 3)), np.arange(3, dtype=words), 3)


UNREAD = None, np.ones(4, np.float32), np.ones((2, 2)), Inner(np.ones(1), 7)


@pytest.fixture
def films():
    return [a_film(unread, words) for words in (np.int64, np.float32) for unread in UNREAD]


def test_code_is_that_of_the_fields_that_are_read(films):
    one = Kernel(fill)
    packed = [Packed(film) for film in films]
    for it, film in zip(packed, films, strict=True):
        it.call(one, 1)
        assert film.result.tolist() == [[0.0, 0.0, 0.0], [0.0, 3.0, 6.0]]
    whole, single = packed[: len(UNREAD)], packed[len(UNREAD) :]
    for alike in (whole, single):
        assert len({int(it.addresses(one)[0]) for it in alike}) == 1
    assert whole[0].addresses(one)[0] != single[0].addresses(one)[0]


def test_a_function_of_its_own_gets_the_whole_film_which_is_one_for_all_kernels(films):
    one = Kernel(counted)
    assert len({int(Packed(film).addresses(one)[0]) for film in films}) == len(films)


def test_a_field_that_the_text_does_not_name_is_not_there(films):
    with pytest.raises(TypingError, match="unread"):
        Packed(films[1]).call(Kernel(hidden), 0)
