"""Bars in rows: over each its name and a remark, behind it its value."""

from dataclasses import dataclass

from ._plot_numbers import width

ROW = 9.0
# Room behind the longest bar for its value, mm.
BEHIND = 22.0


@dataclass(frozen=True)
class Bar:
    """One row: name in the colour of its role, remarks (as many as fit), value and how it is written."""

    name: str
    role: str
    remarks: tuple
    value: float
    text: str


def height(rows):
    """Height of the rows together, mm."""
    return max(len(rows), 1) * ROW


def draw(sheet, top, rows, left):
    """Rows of bars at ``top`` mm in the body of a sheet, from ``left`` mm to its right margin."""
    style, room = sheet.style, sheet.style.width - left - 6.0
    tall, most = height(rows), max((row.value for row in rows), default=0.0) or 1.0
    ax = sheet.panel(top, tall, left=left)
    ax.set_axis_off()
    ax.set(xlim=(0.0, room), ylim=(tall, 0.0))
    ax.plot([0.0, 0.0], [0.0, tall], color=style.colour("muted"), linewidth=0.8)
    if not rows:
        ax.text(2.0, tall / 2.0, "none", va="center", **style.text("muted"))
    for number, row in enumerate(rows):
        _draw_row(ax, style, number * ROW, row, (room - BEHIND) / most)
    return ax


def _draw_row(ax, style, top, row, scale):
    """One bar with its words."""
    long = row.value * scale
    ax.barh(top + 6.2, long, 3.4, 0.0, color=style.colour(row.role), linewidth=0.0)
    ax.text(long + 1.2, top + 6.2, row.text, va="center_baseline", **style.text(bold=True))
    ax.text(1.2, top + 2.4, row.name, va="center_baseline", **style.text(row.role, bold=True))
    start = 3.2 + width(row.name, bold=True)
    remarks = _fitting(row.remarks, ax.get_xlim()[1] - start)
    ax.text(start, top + 2.4, remarks, va="center_baseline", **style.text("muted"))


def _fitting(words, room):
    """As many words as fit, then an ellipsis."""
    for count in range(len(words), 0, -1):
        text = ", ".join(words[:count]) + (" …" if count < len(words) else "")
        if width(text) <= room:
            return text
    return ""
