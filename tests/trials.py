"""Published field and laboratory trials, for the tests of the statistics alone.

The numbers are those of R's documented data sets (typed from memory; that they are the same shows
in the published sums of squares, which each test names).
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

#: Plant weights of a control and two treatments, ten each. R: datasets, PlantGrowth.
PLANT_GROWTH = {
    "ctrl": [4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14],
    "trt1": [4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69],
    "trt2": [6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26],
}

#: Yield of dyestuff, five preparations of each of six batches. R: lme4, Dyestuff.
DYESTUFF = {
    "A": [1545, 1440, 1440, 1520, 1580],
    "B": [1540, 1555, 1490, 1560, 1495],
    "C": [1595, 1550, 1605, 1510, 1560],
    "D": [1445, 1440, 1595, 1465, 1545],
    "E": [1595, 1630, 1515, 1635, 1625],
    "F": [1520, 1455, 1450, 1480, 1445],
}

#: Peas with nitrogen, phosphate and potash (0 or 1), four plots in each of six blocks: yield, and
#: N, P, K. R: MASS and datasets, npk.
_NPK = """
49.5 011  62.8 110  46.8 000  57.0 101
59.8 100  58.5 111  55.5 001  56.0 010
62.8 010  55.8 111  69.5 100  55.0 001
62.0 100  48.8 111  45.5 001  44.2 010
52.0 110  51.5 000  49.8 101  48.8 011
57.2 101  59.0 110  53.2 011  56.0 000
"""

#: Oats: blocks I to VI; varieties Victory, Golden rain, Marvellous; four doses of nitrogen each.
#: R: MASS, oats, after Yates 1935.
_OATS = """
111 130 157 174  117 114 161 141  105 140 118 156
 61  91  97 100   70 108 126 149   96 124 121 144
 68  64 112  86   60 102  89  96   89 129 132 124
 74  89  81 122   64 103 132 133   70  89 104 117
 62  90 100 116   80  82  94 126   63  70 109  99
 53  74 118 113   89  82  86 104   97  99 119 121
"""


def npk() -> tuple[list[float], dict[str, list[str]]]:
    """(yields, factors). With two levels each, N:P is the factor "N and P agree"."""
    plots = [
        (float(grams), str(block), *given)
        for block, line in enumerate(_NPK.strip().splitlines())
        for grams, given in re.findall(r"(\S+) (\d{3})", line)
    ]
    y, block, n, p, k = map(list, zip(*plots, strict=True))
    pairs = {"N:P": (n, p), "N:K": (n, k), "P:K": (p, k)}
    both = {name: [str(a == b) for a, b in zip(*ab, strict=True)] for name, ab in pairs.items()}
    return y, {"block": block, "N": n, "P": p, "K": k, **both}


def oats() -> tuple[list[float], dict[str, list[str]]]:
    """(yields, factors); "B:V" is the main plot, "N:V" the cell."""
    plots = [
        (float(y), f"{block}", "VGM"[i // 4], f"{i % 4 * 2}")
        for block, line in enumerate(_OATS.strip().splitlines())
        for i, y in enumerate(line.split())
    ]
    y, block, variety, nitrogen = map(list, zip(*plots, strict=True))
    plot = [b + v for b, v in zip(block, variety, strict=True)]
    cell = [n + v for n, v in zip(nitrogen, variety, strict=True)]
    return y, {"B": block, "V": variety, "B:V": plot, "N": nitrogen, "N:V": cell}


class Certified(NamedTuple):
    between: float
    within: float
    f: float
    freedom: tuple[int, int]
    groups: list[str]
    values: list[float]


def nist(name: str) -> Certified:
    """A set of NIST's StRD, analysis of variance: public domain, copied as published, with its
    certified values."""
    text = (Path(__file__).parent / "vectors" / "nist-anova" / f"{name}.dat").read_text()
    between = re.search(r"^Between \S+\s+(\d+)\s+(\S+)\s+\S+\s+(\S+)", text, re.M)
    within = re.search(r"^Within \S+\s+(\d+)\s+(\S+)", text, re.M)
    assert between is not None
    assert within is not None
    data = text[text.rindex("Data:") :].splitlines()[1:]
    rows = [line.split() for line in data if line.strip()]
    return Certified(
        float(between[2]),
        float(within[2]),
        float(between[3]),
        (int(between[1]), int(within[1])),
        [row[0] for row in rows],
        [float(row[1]) for row in rows],
    )
