"""Labels in a panel, each placed where it covers nothing and names one line without doubt."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .canvas import SIZE, SMALL, attach, width

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.text import Text
    from numpy.typing import ArrayLike

    from .canvas import Style


TALL = 3.5
# Distances between a label and its line that are tried, mm; the far ones get a thin leader.
GAPS = (1.1, 2.4, 4.5, 8.0, 12.0, 17.0)
LEADER_FROM = 4.0
PLACES = 32
# Points along lines are this far apart, mm: closer than a letter is wide.
SPACING = 0.5
# Points along a stick, and that a leader through a word costs; heights of a name in an area, shares of its median.
STICK, WORDS, HEIGHTS = 24, 10.0, (0.45, 0.3, 0.7, 1.0)
# A line is alone where no other is nearer than this, mm.
ALONE = 1.2
# Largest cost (about mm of distance) of the name of a point: of a long form of the name, and of the shortest form.
NEAR, FAR = 24.0, 60.0
# Cost per mm by which another line is nearer than the named one: usually, and for lines side by side.
DOUBT, SIDE_BY_SIDE = 2.0, 8.0
# Distances are computed in tables of about so many, which a processor's cache holds.
TABLE = 8192
SIDES = (0.0, 0.15, -0.15, 0.3, -0.3, 0.45, -0.45, 0.6, -0.6, 1.0, -1.0)


# What a line may be called by.
Key = float | str | tuple[str, float]


class Labels:
    """Places labels of one panel.

    Everything is measured in mm from the lower left corner of the panel. ``avoid`` takes lines and points,
    ``block`` rectangles; then ``beside`` writes a line's name, ``at`` a point's. The limits of the panel
    must be set before.
    """

    def __init__(self, ax: Axes, style: Style) -> None:
        self.ax, self.style = ax, style
        self.lines: dict[Key, np.ndarray] = {}
        self.boxes: list[tuple[float, ...]] = getattr(ax, "encsim_boxes", [])
        self.doubt = DOUBT
        attach(ax, boxes=self.boxes)
        box = ax.get_window_extent()
        self.corner, self.scale = np.array([box.x0, box.y0]), 25.4 / ax.figure.dpi
        self.size = np.array([box.width, box.height]) * self.scale

    def place(self, x: ArrayLike, y: ArrayLike) -> np.ndarray:
        """Data as mm in the panel, shape (n, 2); not finite for values outside the scale."""
        x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
        with np.errstate(all="ignore"):
            pixels = self.ax.transData.transform(np.column_stack([x.ravel(), y.ravel()]))
        return (pixels - self.corner) * self.scale

    def avoid(self, x: ArrayLike, y: ArrayLike, key: Key | None = None) -> None:
        """Keep labels off a line, which ``key`` names to :meth:`beside`."""
        self.lines[len(self.lines) if key is None else key] = self._along(self.place(x, y))

    def avoid_points(self, x: ArrayLike, y: ArrayLike) -> None:
        """Keep labels off single points, such as rings."""
        shifts = 0.7 * np.array([[0.0, 0.0], [1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
        marks = self.place(x, y) + shifts[:, None]
        self.lines[len(self.lines)] = self._inside(marks.reshape(-1, 2))

    def avoid_sticks(self, x: ArrayLike, low: ArrayLike, high: ArrayLike) -> None:
        """Keep labels off verticals from ``low`` to ``high``."""
        x, low, high = np.broadcast_arrays(*(np.asarray(row, dtype=float) for row in (x, low, high)))
        ends = np.linspace(0.0, 1.0, STICK)[:, None]
        self.lines[len(self.lines)] = self._inside(self.place(x, low + ends * (high - low)))

    def fill(self, key: str) -> None:
        """Keep labels out of the area below a line too."""
        line = self.lines[key]
        rows = [
            np.column_stack([line[:, 0], line[:, 1] - down]) for down in np.arange(1.5, self.size[1], 1.5)
        ]
        self.lines[f"below {key}"] = self._inside(np.vstack([np.empty((0, 2)), *rows]))

    def block(self, left: float, low: float, right: float, high: float) -> None:
        """Keep labels out of a rectangle, mm in the panel."""
        self.boxes.append((left, low, right, high))

    def _along(self, places: np.ndarray) -> np.ndarray:
        """Points along a line, ``SPACING`` apart, inside the panel."""
        places = np.clip(places[np.isfinite(places).all(axis=1)], -20.0, self.size + 20.0)
        if len(places) < 2:
            return self._inside(places)
        way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(places, axis=0).T))])
        even = np.linspace(0.0, way[-1], min(int(way[-1] / SPACING) + 2, 2500))
        return self._inside(np.column_stack([np.interp(even, way, column) for column in places.T]))

    def _inside(self, points: np.ndarray) -> np.ndarray:
        return points[((points >= 0.0) & (points <= self.size)).all(axis=1)]

    def beside(
        self,
        text: str,
        key: Key,
        role: str,
        *,
        bold: bool = True,
        size: float = SIZE,
        lone: bool = True,
        most: float = np.inf,
    ) -> Text | None:
        """Write the name of a line where no other line is near; None if the line is not visible or no place is free."""
        # A thick line may be named where others run under it: ``lone`` false.
        own, others = self.lines[key], self._others(key)
        if not len(own):
            return None
        if lone:
            alone = own[_distances(own, others) > ALONE]
            named = alone if len(alone) >= max(0.04 * len(own), 1) else own
        else:
            named, others = own, others[_distances(others, own) > ALONE]
        chosen = named[np.unique(np.linspace(0, len(named) - 1, PLACES).astype(int))]
        centres, bias = _round_line(own, chosen, self.half(text, bold, size))
        return self._write(text, centres, bias, named, others, role, bold, size, most)

    def at(
        self,
        texts: Sequence[str],
        x: ArrayLike,
        y: ArrayLike,
        role: str,
        *,
        bold: bool = True,
        size: float = SIZE,
        above: bool | None = None,
        clear: float = 0.0,
        most: float = FAR,
    ) -> Text | None:
        """Write the name of one point, ``clear`` mm and a gap above, below or beside it."""
        # Texts are forms of one name, the longest first. The first one with a free place is written, or none; the last
        # may cost ``most``.
        anchor = self.place(x, y)
        sides = [(side, tall) for tall in (1.0, -1.0) for side in SIDES] + [(1.0, 0.0), (-1.0, 0.0)]
        ways = np.array([way for way in sides if above is None or way[1] * (1 if above else -1) > 0])
        every = self._others(None)
        others = every[np.abs(every[:, 0] - anchor[0, 0]) > ALONE]
        for text in texts:
            half = self.half(text, bold, size)
            centres = np.vstack([anchor + ways * (half + clear + gap) for gap in GAPS])
            inside = np.clip(centres, half + 1.0, np.maximum(self.size - half - 0.5, half + 1.0))
            centres[:, 0] = inside[:, 0]
            bias = np.tile(np.abs(ways[:, 0]) + (ways[:, 1] <= 0.0), len(GAPS))
            written = self._write(
                text, centres, bias, anchor, others, role, bold, size, NEAR if text != texts[-1] else most
            )
            if written is not None:
                return written
        return None

    def _others(self, key: Key | None) -> np.ndarray:
        """Points of all lines but one, thinned."""
        others = [points[::2] for name, points in self.lines.items() if name != key]
        return np.vstack([np.empty((0, 2)), *others])

    def half(self, text: str, bold: bool, size: float) -> np.ndarray:
        """Half width and half height of a label, mm."""
        lines = text.split("\n")
        wide = max(width(line, size, bold) for line in lines)
        return np.array([wide, TALL * len(lines) + 0.4 * (len(lines) - 1)]) / 2.0

    def _write(
        self,
        text: str,
        centres: np.ndarray,
        bias: np.ndarray,
        named: np.ndarray,
        others: np.ndarray,
        role: str,
        bold: bool,
        size: float,
        most: float,
    ) -> Text | None:
        """Write at the place of least cost, with a leader if it is far; None if it costs more than ``most``."""
        half = self.half(text, bold, size)
        costs, targets = self._costs(centres, half, named, others)
        best = int(np.argmin(costs + bias))
        if costs[best] > most:
            return None
        centre, target = centres[best], targets[best]
        self.boxes.append((*(centre - half), *(centre + half)))
        edge = np.clip((target - centre) / half, -1.0, 1.0) / 2.0 + 0.5
        colour = self.style.text(role)["color"]
        lead = {"arrowstyle": "-", "relpos": tuple(edge), "color": colour, "linewidth": 0.8,
                "shrinkA": 0.5, "shrinkB": 0.0}  # fmt: skip
        apart = _distances(centre[None], target[None], half)[0]
        # With lines side by side, a reader takes the nearer line for the named one.
        mistaken = self.doubt > DOUBT and _distances(centre[None], others, half)[0] < apart
        if far := apart >= LEADER_FROM or mistaken:
            start = np.clip(target, centre - half, centre + half)
            self.lines["leader", float(len(self.lines))] = self._along(np.vstack([start, target]))
        x, y = self.ax.transData.inverted().transform(target / self.scale + self.corner)
        return self.ax.annotate(
            text,
            (x, y),
            (centre - target) * 72.0 / 25.4,
            textcoords="offset points",
            zorder=8,
            arrowprops=lead if far else None,
            ha="center",
            va="center_baseline",
            linespacing=1.15,
            path_effects=self.style.halo(),
            **self.style.text(role, bold, size),
        )

    def put(
        self,
        text: str,
        centre: np.ndarray | tuple[float, float],
        role: str,
        *,
        bold: bool = True,
        size: float = SIZE,
    ) -> Text:
        """Write at mm in the panel, tied to the place in the panel that this is now."""
        x, y = np.asarray(centre) / self.size
        return self.ax.text(
            x,
            y,
            text,
            transform=self.ax.transAxes,
            ha="center",
            va="center_baseline",
            path_effects=self.style.halo(),
            zorder=8,
            linespacing=1.15,
            **self.style.text(role, bold, size),
        )

    def above(self, text: str, middle: float, role: str, *, bold: bool = True) -> Text:
        """Write a small word above the panel, at mm from its left edge, tied to the place in the data."""
        across = self.ax.transData.inverted().transform(
            (middle / self.scale + self.corner[0], self.corner[1])
        )[0]
        return self.ax.annotate(
            text,
            (across, 1.0),
            (0.0, 2.2 * 72.0 / 25.4),
            xycoords=self.ax.get_xaxis_transform(),
            textcoords="offset points",
            ha="center",
            va="center_baseline",
            annotation_clip=False,
            **self.style.text(role, bold, SMALL),
        )

    def name(self, text: str, x: float, y: float, role: str) -> Text:
        """Write right on a place in the data, and keep other labels off it."""
        centre, half = self.place(x, y)[0], self.half(text, False, SIZE)
        self.boxes.append((*(centre - half), *(centre + half)))
        return self.put(text, centre, role, bold=False)

    def lead(self, start: tuple[float, float], end: tuple[float, float], role: str) -> None:
        """A thin line between two places, mm in the panel."""
        ends = np.vstack([start, end]) / self.size
        colour = self.style.text(role)["color"]
        self.ax.plot(
            *ends.T, transform=self.ax.transAxes, color=colour, linewidth=0.8, zorder=5, clip_on=False
        )

    def _costs(
        self, centres: np.ndarray, half: np.ndarray, named: np.ndarray, others: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Cost of each place, and the point at the end of its leader."""
        # Covered points and labels, the edge, the distance, other lines as near as the one named, and what a leader
        # crosses.
        apart, nearest = _nearest(centres, named, half)
        targets = named[nearest]
        every = self._sums(np.vstack([np.empty((0, 2)), *self.lines.values()]))
        hidden = self.hidden(centres, half)
        outside = ((centres - half < 0.4) | (centres + half > self.size - 0.4)).any(axis=1)
        doubt = np.clip(apart + 2.0 - _distances(centres, others, half), 0.0, 4.0)
        costs = (
            12.0 * _counted(every, centres, half + 0.5)
            + 400.0 * hidden
            + 4000.0 * outside
            + apart
            + self.doubt * doubt
        )
        leads = (apart >= LEADER_FROM) * (2.0 + 4.0 * self._crossed(centres, half, targets, others))
        return costs + leads + 1.5 * np.abs(centres[:, 0] / self.size[0] - 0.5), targets

    def hidden(self, centres: np.ndarray, half: float | np.ndarray) -> np.ndarray:
        """Number of labels and other rectangles that each box would touch."""
        touched = np.zeros(len(centres))
        for box in np.array(self.boxes).reshape(-1, 2, 2):
            room = half + np.ptp(box, axis=0) / 2.0 + [0.6, 0.7]
            touched += (np.abs(centres - box.mean(axis=0)) < room).all(axis=1)
        return touched

    def _crossed(
        self, centres: np.ndarray, half: np.ndarray, targets: np.ndarray, others: np.ndarray
    ) -> np.ndarray:
        """Points of other lines, and labels, that lie on the way from each place to its target."""
        sums = self._sums(others)
        starts = np.clip(targets, centres - half, centres + half)
        crossed = np.zeros(len(centres))
        for share in np.linspace(0.0, 0.9, 10):
            crossed += _counted(sums, starts + (targets - starts) * share, 0.7)
        # The end of a leader may lie in the rectangle that its own point keeps free.
        for share in np.linspace(0.1, 0.7, 7):
            crossed += WORDS * self.hidden(starts + (targets - starts) * share, 0.0)
        return crossed

    def _sums(self, points: np.ndarray) -> np.ndarray:
        """Table of sums over cells of half a mm: how many points lie left of and below each cell."""
        shape = np.ceil(self.size / SPACING).astype(int) + 2
        cells = np.zeros(shape)
        np.add.at(cells, tuple((points / SPACING).astype(int).T + 1), 1.0)
        return cells.cumsum(axis=0).cumsum(axis=1)

    def within(self, text: str, tops: np.ndarray, role: str) -> bool:
        """Write into the area below a line, ``tops`` mm in the panel, clear of all lines; whether it fits."""
        half = self.half(text, True, SIZE)
        heights = np.repeat(np.array(HEIGHTS) * np.median(tops[:, 1]), PLACES)
        middles = np.tile(np.linspace(half[0] + 1.0, self.size[0] - half[0] - 1.0, PLACES), len(HEIGHTS))
        over = np.abs(tops[:, 0] - middles[:, None]) <= half[0]
        least = np.where(over, tops[:, 1], np.inf).min(axis=1)
        centres = np.column_stack([middles, heights])
        lines = np.vstack([np.empty((0, 2)), *self.lines.values()])
        fits = (
            (self.hidden(centres, half) == 0)
            & (middles - half[0] > tops[:, 0].min())
            & (middles + half[0] < tops[:, 0].max())
            & (least > heights + half[1] + 0.5)
            & (_counted(self._sums(lines), centres, half + 0.5) == 0)
        )
        if not fits.any():
            return False
        centre = centres[np.argmax(np.where(fits, least - heights, -np.inf))]
        self.block(*(centre - half), *(centre + half))
        self.put(text, centre, role).set_path_effects([])
        return True


def _round_line(own: np.ndarray, chosen: np.ndarray, half: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centres of boxes round a line, clear of the line itself above and below, and a bias against the others."""
    near = np.abs(own[None, :, 0] - chosen[:, None, 0]) <= half[0]
    top = np.where(near, own[None, :, 1], -np.inf).max(axis=1)
    low = np.where(near, own[None, :, 1], np.inf).min(axis=1)
    centres: list[np.ndarray] = []
    bias: list[float] = []
    for gap in GAPS:
        centres.append(np.column_stack([chosen[:, 0], top + gap + half[1]]))
        centres.append(np.column_stack([chosen[:, 0], low - gap - half[1]]))
        bias += [0.0, 0.0]
        for across, up in ((1, 0), (-1, 0), (1, 1), (-1, 1), (1, -1), (-1, -1)):
            shift = np.array([across * (half[0] + (0.4 if up else gap)), up * (half[1] + gap)])
            centres.append(chosen + shift)
            bias.append(2.0)
    return np.vstack(centres), np.repeat(bias, len(chosen))


def _counted(sums: np.ndarray, centres: np.ndarray, reach: float | np.ndarray) -> np.ndarray:
    """Number of points in each box, from a table of sums."""
    top = np.array(sums.shape) - 1
    left, low = np.clip(np.round((centres - reach) / SPACING).astype(int), 0, top).T
    right, high = np.clip(np.round((centres + reach) / SPACING).astype(int), 0, top).T
    return sums[right, high] - sums[left, high] - sums[right, low] + sums[left, low]


def _distances(centres: np.ndarray, points: np.ndarray, half: float | np.ndarray = 0.0) -> np.ndarray:
    """Distance of each box to the nearest of some points, mm; infinite without points."""
    return _nearest(centres, points, half)[0] if len(points) else np.full(len(centres), np.inf)


def _nearest(
    centres: np.ndarray, points: np.ndarray, half: float | np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Distance of each box to the nearest of some points, mm, and the index of that point."""
    least, nearest = [], []
    for some in np.array_split(centres, len(centres) * len(points) // TABLE + 1):
        squares = np.zeros((len(some), len(points)))
        for place, point, size in zip(some.T, points.T, np.broadcast_to(half, 2), strict=True):
            beyond = np.abs(point - place[:, None]) - size
            np.maximum(beyond, 0.0, out=beyond)
            squares += np.square(beyond, out=beyond)
        nearest.append(squares.argmin(axis=1))
        least.append(squares.min(axis=1))
    return np.sqrt(np.concatenate(least)), np.concatenate(nearest)
