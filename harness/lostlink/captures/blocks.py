"""Blocks of a text file in numpy: the positions of words and cells, and the values of numbers. Pure.

The readers read a file in blocks, so that memory does not grow with the file. A block of correct lines in a usual form
is parsed as a whole. Any other (`OddBlockError`) is parsed line by line, which also finds the errors.

Eight bytes are one integer of 64 bits, the first byte the lowest; three multiplications add up its digits in pairs,
fours and eights.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.captures.signals import Ints, Levels

Words = NDArray[np.uint64]

BLOCK: Final = 1 << 19
"""Size of a block in bytes: large enough for numpy, small enough for the processor's cache."""
LONGEST: Final = 16_000_000
"""Longest word or line in bytes; a capture has none that is longer."""
MOST_DIGITS: Final = 18
"""Most digits of a number, not counting zeros before it, so that it fits into 64 bits."""
EIGHT: Final = 8

POWERS_OF_TEN: Final = 10 ** np.arange(MOST_DIGITS + 1, dtype=np.int64)

_MOST_EXPONENT_DIGITS: Final = 2
_MOST_SPACES: Final = 32

_BEFORE: Final = 3 * EIGHT
_LENGTHS: Final = range(EIGHT + 1)
_FIRST: Final = np.array([(1 << 8 * length) - 1 for length in _LENGTHS], np.uint64)
_LAST: Final = np.array([(1 << 64) - (1 << 8 * (EIGHT - length)) for length in _LENGTHS], np.uint64)
_ZEROS: Final = np.uint64(0x3030303030303030)
_ABOVE_NINE, _HIGH_BITS = np.uint64(0x7676767676767676), np.uint64(0x8080808080808080)
_SUMS: Final = tuple(
    (np.uint64(mask), np.uint64((base << bits) + 1), np.uint64(bits))
    for mask, base, bits in (
        (0x0F0F0F0F0F0F0F0F, 10, 8), (0x00FF00FF00FF00FF, 100, 16), (0x0000FFFF0000FFFF, 10_000, 32),
    )
)  # fmt: skip


class OddBlockError(Exception):
    """A block cannot be parsed as a whole: it has an unusual form, or an error."""


def require(condition: bool | np.bool_) -> None:
    """Raise `OddBlockError` unless a condition for parsing a block as a whole holds."""
    if not condition:
        raise OddBlockError


def as_eight(word: bytes) -> int:
    """Return a word of up to eight bytes as `Block.eights` does."""
    return int.from_bytes(word, "little")


def count_lines(text: bytes) -> int:
    """Return the number of line ends."""
    return int(np.count_nonzero(np.frombuffer(text, np.uint8) == ord("\n")))


class Block:
    """A block of a text file.

    Attributes
    ----------
    bytes : (n,) ndarray of uint8
        The text, between spaces. All positions are indices of it.
    begin : int
        Place of the first byte of the text.
    """

    begin: Final = _BEFORE

    def __init__(self, text: bytes) -> None:
        self.bytes: Levels = np.frombuffer(b" " * _BEFORE + text + b" " * EIGHT, np.uint8)

    def words(self) -> tuple[Ints, Ints]:
        """Return the positions where words begin and end.

        Raises
        ------
        OddBlockError
            If there is a control character that is not white space.
        """
        is_space = self.bytes <= ord(" ")
        is_control = (self.bytes < ord(" ")) & (self.bytes - np.uint8(ord("\t")) > ord("\r") - ord("\t"))
        require(not is_control.any())
        changes = np.flatnonzero(is_space[1:] != is_space[:-1]) + 1
        return changes[::2], changes[1::2]

    def cells(self, separator: int, columns: int) -> tuple[Ints, Ints]:
        """Return where the cells of a table begin and end, without quotes and spaces around them, (rows, columns) each.

        Raises
        ------
        OddBlockError
            If a row has another number of columns, or there is another control character.
        """
        is_end = self.bytes == ord("\n")
        ends = np.flatnonzero(is_end | (self.bytes == separator))
        require(len(ends) % columns == 0)
        start, stop = np.append(self.begin, ends[:-1] + 1).reshape(-1, columns), ends.reshape(-1, columns)
        require(is_end[stop[:, -1]].all() and np.count_nonzero(is_end) == len(stop))
        is_control = self.bytes < ord(" ")
        require(np.count_nonzero(is_control) == np.count_nonzero(is_control[ends]))
        is_quote = self.bytes == ord('"')
        if is_quote.any():
            is_quoted = is_quote[start] & is_quote[stop - 1] & (stop - start > 1)
            require(2 * np.count_nonzero(is_quoted) == np.count_nonzero(is_quote))
            start += is_quoted
            stop -= is_quoted
        is_space = self.bytes == ord(" ")
        if is_space[self.begin : stop[-1, -1]].any():
            for _ in range(_MOST_SPACES):
                before, after = is_space[start], is_space[stop - 1]
                if not (before.any() or after.any()):
                    break
                start += before
                stop -= after
        return start, stop

    def eights(self, start: Ints, length: Ints) -> Words:
        """Return the first `length` bytes, at most eight, from each position; the others are 0."""
        first: Words = _eights(self.bytes)[start] & _FIRST[length]
        return first

    def numbers(self, start: Ints, stop: Ints) -> Ints:
        """Return the whole numbers between positions.

        Raises
        ------
        OddBlockError
            If one has another character than a digit, or none or more than `MOST_DIGITS`.
        """
        return _numbers(self.bytes, start, stop)

    def decimals(self, start: Ints, stop: Ints, points: str) -> tuple[Ints, Ints]:
        """Return the decimal numbers between positions as figures and powers of ten: ``-1.50e3`` as -150 and 1.

        Parameters
        ----------
        start, stop : (n,) ndarray of int64
            Ascending.
        points : str
            Characters that are a decimal point.

        Raises
        ------
        OddBlockError
            If one is not a number, or has more than `MOST_DIGITS`; a point counts as a digit.
        """
        is_negative, start = self._signs(start)
        mark = self._find("eE", start, stop)
        point = self._find(points, start, mark)
        has_point = point < mark
        require((mark - start > has_point).all())
        # The point is read as a digit 0, which is then taken out.
        digits = self.bytes.copy()
        digits[point] = ord("0")  # without a point, after the number
        figures = _numbers(digits, start, mark)
        decimals = _one_if_equal(mark - point - has_point)
        place = np.minimum(decimals, MOST_DIGITS - 1)
        figures -= figures // POWERS_OF_TEN[place + 1] * (9 * POWERS_OF_TEN[place]) * has_point
        return np.where(is_negative, -figures, figures), _one_if_equal(self._exponents(mark, stop)) - decimals

    def _signs(self, start: Ints) -> tuple[NDArray[np.bool_], Ints]:
        first = self.bytes[start]
        is_negative = first == ord("-")
        return is_negative, start + (is_negative | (first == ord("+")))

    def _exponents(self, mark: Ints, stop: Ints) -> Ints:
        """Return the exponents after their marks, 0 where the mark is the end."""
        power = np.zeros(len(mark), np.int64)
        rows = np.flatnonzero(mark < stop)
        is_negative, start = self._signs(mark[rows] + 1)
        require((stop[rows] - start <= _MOST_EXPONENT_DIGITS).all())
        exponent = self.numbers(start, stop[rows])
        power[rows] = np.where(is_negative, -exponent, exponent)
        return power

    def _find(self, characters: str, start: Ints, stop: Ints) -> Ints:
        """Return the last position of one of some characters between positions, `stop` where there is none."""
        is_one = self.bytes == ord(characters[0])
        for other in characters[1:]:
            is_one |= self.bytes == ord(other)
        at = np.flatnonzero(is_one)
        if len(at) == len(stop) and (at >= start).all() and (at < stop).all():
            return at
        index = np.searchsorted(stop, at, "right")
        inside = np.flatnonzero(at >= np.append(start, len(self.bytes))[index])
        found = stop.copy()
        found[index[inside]] = at[inside]
        return found


def _one_if_equal(values: Ints) -> Ints:
    """Return only one of values that are all equal, with which numpy is faster."""
    return values[:1] if (values == values[:1]).all() else values


def _eights(text: Levels) -> Words:
    """Return for each position the eight bytes from there on."""
    return np.ndarray((len(text) - EIGHT + 1,), "<u8", text, strides=(1,))


def _numbers(text: Levels, start: Ints, stop: Ints) -> Ints:
    length = _one_if_equal(stop - start)
    total = np.zeros(len(start), np.int64)
    least, most = int(length.min(initial=_BEFORE)), int(length.max(initial=0))
    require(least > 0 and most <= _BEFORE)
    for known in range(0, most, EIGHT):
        digits = _eights(text)[stop - (known + EIGHT)] ^ _ZEROS
        if least < known + EIGHT:
            digits &= _LAST[np.clip(length - known, 0, EIGHT)]
        require(not (((digits + _ABOVE_NINE) | digits) & _HIGH_BITS).any())
        for mask, factor, bits in _SUMS:
            digits &= mask
            digits *= factor
            digits >>= bits
        require(known + EIGHT <= MOST_DIGITS or (digits < 10 ** (MOST_DIGITS - known)).all())
        total += digits.view(np.int64) * 10**known
    return total
