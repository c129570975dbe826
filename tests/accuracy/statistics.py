"""Mean and spread against the certified values of the Statistical Reference Datasets."""

from __future__ import annotations

from collections.abc import Sequence

from edge.measure.statistics import IntervalStatistics
from tests.accuracy.check import Check, exact, within

STRD = "NIST StRD, univariate, certified values (looked up in reprints): "

_MAVRO = """
200180 200170 200180 200190 200180 200170 200150 200140 200150 200150 200170 200180 200180 200190
200190 200210 200200 200160 200140 200130 200130 200150 200150 200160 200150 200140 200130 200140
200150 200140 200150 200160 200150 200160 200190 200200 200200 200210 200220 200230 200240 200250
200270 200260 200260 200260 200270 200260 200250 200240"""

_MICHELSO = """
29985 29974 29990 30007 29993 29985 29995 29998 29998 29988 30000 29998 29993 29965 29976 29981
30000 30000 29996 29996 29996 29994 29996 29994 29988 29980 29985 29988 29990 29984 29983 29979
29981 29988 29988 29983 29980 29979 29976 29980 29988 29988 29988 29986 29972 29972 29962 29986
29997 29995 29988 29991 29985 29987 29984 29984 29985 29984 29984 29984 29989 29981 29981 29982
29980 29977 29976 29974 29975 29976 29991 29992 29989 29986 29988 29972 29984 29985 29985 29978
29989 29984 29978 29981 29976 29981 29979 29981 29982 29985 29987 29987 29981 29974 29981 29994
29995 29980 29981 29987"""

_LEW = """
-213 -564 -35 -15 141 115 -420 -360 203 -338 -431 194 -220 -513 154 -125 -559 92 -21 -579 -52 99
-543 -175 162 -457 -346 204 -300 -474 164 -107 -572 -8 83 -541 -224 180 -420 -374 201 -236 -531 83
27 -564 -112 131 -507 -254 199 -311 -495 143 -46 -579 -90 136 -472 -338 202 -287 -477 169 -124 -568
17 48 -568 -135 162 -430 -422 172 -74 -577 -13 92 -534 -243 194 -355 -465 156 -81 -578 -64 139 -449
-384 193 -198 -538 110 -44 -577 -6 66 -552 -164 161 -460 -344 205 -281 -504 134 -28 -576 -118 156
-437 -381 200 -220 -540 83 11 -568 -160 172 -414 -408 188 -125 -572 -32 139 -492 -321 205 -262 -504
142 -83 -574 0 48 -571 -106 137 -501 -266 190 -391 -406 194 -186 -553 83 -13 -577 -49 103 -515 -280
201 300 -506 131 -45 -578 -80 138 -462 -361 201 -211 -554 32 74 -533 -235 187 -372 -442 182 -147
-566 25 68 -535 -244 194 -351 -463 174 -125 -570 15 72 -550 -190 172 -424 -385 198 -218 -536 96"""

_LOTTERY = """
162 671 933 414 788 730 817 33 536 875 670 236 473 167 877 980 316 950 456 92 517 557 956 954 104
178 794 278 147 773 437 435 502 610 582 780 689 562 964 791 28 97 848 281 858 538 660 972 671 613
867 448 738 966 139 636 847 659 754 243 122 455 195 968 793 59 730 361 574 522 97 762 431 158 429
414 22 629 788 999 187 215 810 782 47 34 108 986 25 644 829 630 315 567 919 331 207 412 242 607 668
944 749 168 864 442 533 805 372 63 458 777 416 340 436 140 919 350 510 572 905 900 85 389 473 758
444 169 625 692 140 897 672 288 312 860 724 226 884 508 976 741 476 417 831 15 318 432 241 114 799
955 833 358 935 146 630 830 440 642 356 373 271 715 367 393 190 669 8 861 108 795 269 590 326 866 64
523 862 840 219 382 998 4 628 305 747 247 34 747 729 645 856 974 24 568 24 694 608 480 410 729 947
293 53 930 223 203 677 227 62 455 387 318 562 242 428 968"""


def _numbers(text: str, per: int = 1) -> list[float]:
    return [int(word) / per for word in text.split()]


def _paired(middle: float, low: float, high: float) -> list[float]:
    """One number in the middle, then five hundred pairs about it: NumAcc2 to 4 by definition."""
    return [middle, *[low, high] * 500]


# Name, numbers, certified mean and standard deviation, relative tolerance of the latter. That is as
# far as the numbers themselves, rounded to floats, let anyone come: an ulp of 1e7 is 2e-8 of 0.1.
_SETS: list[tuple[str, list[float], float, float, float]] = [
    ("Lew", _numbers(_LEW), -177.435, 277.332168044316, 1e-12),
    ("Lottery", _numbers(_LOTTERY), 518.958715596330, 291.699727470969, 1e-12),
    ("Mavro", _numbers(_MAVRO, 100_000), 2.001856, 0.000429123454003053, 1e-11),
    ("Michelso", _numbers(_MICHELSO, 100), 299.8524, 0.0790105478190518, 1e-11),
    ("NumAcc1", [10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 1e-12),
    ("NumAcc2", _paired(1.2, 1.1, 1.3), 1.2, 0.1, 1e-12),
    ("NumAcc3", _paired(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 2e-9),
    ("NumAcc4", _paired(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 2e-8),
]


def _of(numbers: Sequence[float]) -> IntervalStatistics:
    statistics = IntervalStatistics()
    for number in numbers:
        statistics.take(number)
    return statistics


def _in_parts(numbers: Sequence[float], size: int) -> IntervalStatistics:
    whole = IntervalStatistics()
    for first in range(0, len(numbers), size):
        whole.merge(_of(numbers[first : first + size]))
    return whole


def checks() -> list[Check]:
    rows: list[Check] = []
    for name, numbers, mean, deviation, tolerance in _SETS:
        for how, found in (("", _of(numbers)), (" in parts of 60", _in_parts(numbers, 60))):
            assert found.mean is not None
            assert found.deviation is not None
            rows += [
                exact(f"{name}, mean{how}", STRD + name, mean, found.mean),
                within(f"{name}, standard deviation{how}", STRD + name, deviation,
                       found.deviation, tolerance),
            ]  # fmt: skip
    return rows
