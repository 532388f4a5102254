"""The layout that shows a label largest: where each line, the QR and the line under the name are.

The name across the top with the weight at its right, a line under them, then texts from the top
down, which turn narrower beside the QR in the lower right corner; on a tall label the QR is below.
Without a name, as on a tag, all stands in the middle.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Iterator
from typing import NamedTuple

from reportlab.lib.units import mm

from .letters import BELOW, BETWEEN, Metrics
from .qr import QUIET

#: Letters may be larger than wished, and smaller: in steps of a twentieth.
_SCALES = [n / 20 for n in range(6, 61)]
#: The side of a module that goes with letters of the size that is wished.
_MODULE = 0.6 * mm
#: Above each text, in shares of its size: what is wished and what will do; and what is tried at
#: last, when there is room to spare.
_GAPS = (0.45, 0.3, 0.2)
_LOOSER = (1.1, 0.9, 0.75, 0.6, 0.5)
#: Down to this scale the name stays on one line with the weight at its right (on a tall label,
#: under it), and the line under them runs across the label: three things that are liked.
_CALM, _ALL_CALM = 0.8, 3
#: What a label may be printed out of its place without loss to the QR's quiet zone (common
#: practice, no source).
_SLACK = 0.5 * mm
#: Between words and the quiet zone: some letters reach over their own width by a hair.
_CLEAR = 0.25 * mm
_RULE = 0.25 * mm
_HAIR = 1e-6  # of a point: what sums may be out


class Room(NamedTuple):
    """All that a layout depends on besides its texts' metrics. In points: the label's size, a
    printer's dot, the least size of letters; of the QR: its modules a side, without the quiet
    zone (0 is none), and the sizes these may have, in dots. The texts are the name and the weight,
    if there are any, the rest from the top down, and so many lines under the QR."""

    width: float
    height: float
    dot: float
    least: float
    side: int
    modules: tuple[int, ...]
    name: bool
    weight: bool
    captions: int

    @property
    def margin(self) -> float:
        """What is kept free at a label's edge: printers do not hit it to the hair."""
        return min(6 * mm, max(1 * mm, 0.06 * min(self.width, self.height)))


class Line(NamedTuple):
    """Words of a part, from the first up to the end; share: how much of it is left of x."""

    part: int
    first: int
    end: int
    x: float
    y: float
    size: float
    share: float = 0


class Plan(NamedTuple):
    """Lines; the QR's lower left corner and its module, in dots; the line under the name as a
    rectangle (x, y, width, height)."""

    lines: tuple[Line, ...]
    qr: tuple[int, int, int]
    rule: tuple[float, float, float, float] | None


class Lack(NamedTuple):
    """Why nothing fits, in points. What is needed and what there is: of height, with the longest
    part and what it takes; or of width, for some words of a part; or, without a part, for the
    QR."""

    needs: float
    has: float
    part: int | None = None
    takes: float = 0
    words: tuple[int, int] | None = None


@functools.lru_cache(512)
def plan(room: Room, parts: tuple[Metrics, ...]) -> Plan | Lack:
    """The layout with the largest letters, modules and gaps, none at the cost of the others. It is
    looked for once for all labels that are alike."""
    return _Search(room, parts).best()


class _Corner(NamedTuple):
    """A QR in its place: its lower left corner in dots; where words end that are beside it, and the
    depth from which they are; the depth that words may come to; the middle of its caption."""

    x: int
    y: int
    narrow: float
    turn: float
    lowest: float
    middle: float


class _Setting:
    """Texts set from the top down, each line as long as there is room above the QR or beside it."""

    def __init__(self, room: Room, corner: _Corner) -> None:
        self.left, self.right = room.margin, room.width - room.margin
        self.corner, self.depth = corner, room.margin
        self.lines: list[Line] = []  # y is a depth so far
        self.takes: dict[int, float] = {}
        self.rule: float | None = None
        self.lack: Lack | None = None
        self.calm = 0

    @property
    def over(self) -> float:
        return self.depth - self.corner.lowest

    @property
    def fits(self) -> bool:
        return self.lack is None and self.over <= _HAIR

    def end(self, depth: float, right: float) -> float:
        """Where a line must end that reaches down to a depth."""
        return min(right, self.corner.narrow) if depth > self.corner.turn + _HAIR else right

    def set(self, part: int, text: Metrics, size: float, right: float, above: float = 0) -> None:
        """above: what the first line has above its foot at the least, in points."""
        before, first = self.depth, 0
        while first < len(text.widths):
            right_here = self.end(self.depth + size, right)
            while True:  # until the line so chosen is no deeper than its length allows
                last = self._filled(part, text, size, first, right_here - self.left)
                up = max(above, size * max(text.above[first:last]))
                down = size * max(text.below[first:last])
                nearer = self.end(self.depth + up + down, right_here)
                if nearer == right_here:
                    break
                right_here = nearer
            self.lines.append(Line(part, first, last, self.left, self.depth + up, size))
            self.depth += up + down + size * BETWEEN
            first, above = last, 0
        self.depth -= size * BETWEEN
        self.takes[part] = self.depth - before

    def _filled(self, part: int, text: Metrics, size: float, first: int, room: float) -> int:
        """The end of the line that begins so: at least one word."""
        long, last = text.widths[first] * size, first + 1
        if long > room + _HAIR and self.lack is None:
            self.lack = Lack(long, room, part, words=(first, last))
        while last < len(text.widths):
            long += (text.spaces[last] + text.widths[last]) * size
            if long > room:
                break
            last += 1
        return last


_NOTHING = (0.0, 0, 0.0, 0.0, 0, 0.0)


class _Search:
    def __init__(self, room: Room, parts: tuple[Metrics, ...]) -> None:
        self.room, self.parts = room, parts
        begin, end = room.name + room.weight, len(parts) - room.captions
        self.body, self.captions = range(begin, end), range(end, len(parts))

    def size(self, part: int, scale: float) -> float:
        text = self.parts[part]
        return max(self.room.least, text.least, text.wished * scale)

    # --- which is best ---------------------------------------------------------------------------

    def best(self) -> Plan | Lack:
        dot, found = self.room.dot, _NOTHING
        for gap, module in itertools.product(_GAPS, self.room.modules):
            shares = [_share(gap / _GAPS[0])]
            if self.room.side:
                shares.append(_share(module * dot / _MODULE))
            if min(shares) < found[0]:
                continue  # however large its letters, it is not the best
            scale, way = self._largest(module, gap)
            if way is not None:
                # a module much larger than its letters is no gain
                shares = [scale, *(min(share, max(1, scale)) for share in shares)]
                found = max(found, (min(shares), way.calm, sum(shares), scale, module, gap))
        if found is _NOTHING:
            return self._lack()
        *_, scale, module, gap = found
        ways = (self._way(scale, module, loose) for loose in (*_LOOSER, gap))
        return self._finished(next(filter(None, ways)), scale, module)

    def _largest(self, module: int, gap: float) -> tuple[float, _Setting | None]:
        """The largest scale of the letters that fits with such a QR, and how it does."""
        found, low, high = None, -1, len(_SCALES) - 1
        while low < high:
            middle = (low + high + 1) // 2
            if way := self._way(_SCALES[middle], module, gap):
                found, low = way, middle
            else:
                high = middle - 1
        return _SCALES[low], found

    def _way(self, scale: float, module: int, gap: float) -> _Setting | None:
        """The way to lay it out that is liked best of those that fit."""
        ways = self._ways(scale, module, gap)
        return next(
            (way for way in ways if way.fits and (way.calm == _ALL_CALM or scale <= _CALM)), None
        )

    def _ways(self, scale: float, module: int, gap: float) -> Iterator[_Setting]:
        for beside in (True, False) if self.room.side else (True,):
            if corner := self._corner(scale, module, beside):
                ways = [self._set(corner, scale, gap, aside) for aside in (True, False)]
                yield from sorted(ways, key=lambda way: (not way.fits, -way.calm, way.depth))

    def _lack(self) -> Lack:
        """What is wanting where all is as small as it may be."""
        room, scale, module = self.room, _SCALES[0], self.room.modules[0]
        across = room.width - 2 * room.margin
        for part in self.captions:
            wide = sum(self.parts[part].widths) * self.size(part, scale)
            if wide > across:
                return Lack(wide, across, part, words=(0, len(self.parts[part].widths)))
        ways = list(self._ways(scale, module, _GAPS[-1]))
        if not ways:
            needs = (room.side + 2 * QUIET) * module * room.dot
            return Lack(needs, min(room.width, room.height))
        way = min(
            ways, key=lambda way: (way.lack.needs - way.lack.has if way.lack else 0, way.over)
        )
        if way.lack:
            return way.lack
        part = max(way.takes, key=lambda part: way.takes[part])
        return Lack(way.depth, way.corner.lowest, part, way.takes[part])

    # --- one way ---------------------------------------------------------------------------------

    def _caption(self, scale: float) -> tuple[float, float]:
        """(size, width) of the lines under the QR."""
        size = max((self.size(part, scale) for part in self.captions), default=0)
        return size, max((sum(self.parts[n].widths) * size for n in self.captions), default=0)

    def _corner(self, scale: float, module: int, beside: bool) -> _Corner | None:
        """Nothing where the QR has no room."""
        room, dot = self.room, self.room.dot
        bottom = room.height - room.margin
        if not room.side:
            return _Corner(0, 0, room.width - room.margin, math.inf, bottom, 0)
        dark, quiet = room.side * module, QUIET * module
        inset = math.ceil(max(room.margin, quiet * dot + _SLACK) / dot - _HAIR)
        size, wide = self._caption(scale)
        under = size * (1 + BETWEEN) * room.captions
        y = math.ceil((room.margin + under + _CLEAR) / dot) + quiet if under else inset
        middle = room.width / 2
        if beside:
            middle = room.width - max(room.margin + wide / 2, (inset + dark / 2) * dot)
        x = min(round(middle / dot - dark / 2), math.floor(room.width / dot) - inset - dark)
        turn = room.height - (y + dark + quiet) * dot - _CLEAR
        if x < inset or turn < _SLACK or wide > room.width - 2 * room.margin:
            return None
        beside_caption = middle - wide / 2 - 1 * mm if under else math.inf
        narrow = min((x - quiet) * dot - _CLEAR, beside_caption)
        if not beside:
            return _Corner(x, y, narrow, math.inf, turn, middle)
        # without a name all stands in the middle, so that every line is beside the QR
        return _Corner(x, y, narrow, turn if room.name else 0, bottom, middle)

    def _set(self, corner: _Corner, scale: float, gap: float, aside: bool) -> _Setting:
        """aside: the weight is at the right of the name."""
        room, way = self.room, _Setting(self.room, corner)
        aside = aside and room.name and room.weight
        if aside:
            self._weight_aside(way, scale)
        else:
            for part in range(self.body.start):
                size = self.size(part, scale)
                way.depth += _GAPS[-1] * size if part else 0
                way.set(part, self.parts[part], size, way.right)
        between = max(gap, 0.3) * max(room.least, 7 * scale)
        if room.name and self.body:
            way.rule = way.depth + between
            way.depth = way.rule + _RULE + between
        for part in self.body:
            size = self.size(part, scale)
            way.depth += gap * size if part > self.body.start else 0
            way.set(part, self.parts[part], size, way.right)
        of_name = sum(line.part == 0 for line in way.lines) if room.name else 0
        across = way.rule is None or way.rule + _RULE <= corner.turn
        beside = aside or not room.weight or room.width < room.height
        way.calm = (of_name <= 1) + beside + across
        return way

    def _weight_aside(self, way: _Setting, scale: float) -> None:
        """On one foot with the first line of the name."""
        text, size = self.parts[1], self.size(1, scale)
        wide, up, down = (share * size for share in (sum(text.widths), *text.reach))
        right = way.end(way.depth + up + down, way.right)
        if right - wide < way.left:
            way.lack = Lack(wide, right - way.left, 1, words=(0, len(text.widths)))
        name = self.size(0, scale)
        way.set(0, self.parts[0], name, right - wide - max(size, name), above=up)
        stands = way.lines[0].y
        way.lines.append(Line(1, 0, len(text.widths), right, stands, size, 1))
        way.takes[1] = up + down
        way.depth = max(way.depth, stands + down)

    def _finished(self, way: _Setting, scale: float, module: int) -> Plan:
        """Depths become heights."""
        room, corner = self.room, way.corner
        down, up = 0.0, 0
        if room.side and not room.name:
            spare, share = max(0.0, -way.over), 2 if corner.turn < math.inf else 3
            over_qr = room.height - (corner.y + (room.side + QUIET) * module) * room.dot
            down = spare / share
            up = math.floor(max(0.0, over_qr / 2 if share == 2 else down) / room.dot)
        lines = [line._replace(y=room.height - down - line.y) for line in way.lines]
        size, _ = self._caption(scale)
        foot = room.margin + up * room.dot + BELOW * size
        for part in reversed(self.captions):
            words = len(self.parts[part].widths)
            lines.append(Line(part, 0, words, corner.middle, foot, size, 0.5))
            foot += (1 + BETWEEN) * size
        rule = None
        if way.rule is not None:
            right = way.end(way.rule + _RULE, way.right)
            rule = (room.margin, room.height - way.rule - _RULE, right - room.margin, _RULE)
        return Plan(tuple(lines), (corner.x, corner.y + up, module), rule)


def _share(of_wish: float) -> float:
    """How well a wish is met: what is wanting weighs more than with letters, whose least is law."""
    return of_wish if of_wish > 1 else of_wish**1.5
