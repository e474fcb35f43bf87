"""A small writer of SVG: shapes with every coordinate at two decimals, so that bytes repeat.

Coordinates are in points from the upper left. Colours are told apart in grey print by line
style and hatching too.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

INK = "#1b1b1b"
GREY = "#777777"
PALE = "#d9d9d9"
BLUE = "#0b4f8a"
ORANGE = "#b5510a"
GREEN = "#2f6f4f"
RED = "#a31515"

Point = tuple[float, float]


class Drawing:
    """Collects shapes; ``text()`` is the whole ``<svg>`` element.

    ``title`` is the accessible name, ``description`` the alternative text.
    """

    def __init__(self, width: float, height: float, title: str, description: str) -> None:
        self.width, self.height = width, height
        self._title, self._description = title, description
        self._shapes: list[str] = []

    def line(
        self, points: Iterable[Point], colour: str, width: float = 1.0, dash: str = ""
    ) -> None:
        """Draw a polyline; fewer than two points draw nothing."""
        text = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
        if " " not in text:
            return
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self._shapes.append(
            f'<polyline points="{text}" fill="none" stroke="{colour}" '
            f'stroke-width="{width:.2f}" stroke-linejoin="round"{dashed}/>'
        )

    def area(self, points: Iterable[Point], colour: str, opacity: float = 1.0) -> None:
        """Fill a closed polygon."""
        text = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
        self._shapes.append(
            f'<polygon points="{text}" fill="{colour}" fill-opacity="{opacity:.2f}"/>'
        )

    def rectangle(self, x: float, y: float, width: float, height: float, fill: str) -> None:
        """Fill a rectangle."""
        self._shapes.append(
            f'<rect x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:.2f}" '
            f'fill="{fill}"/>'
        )

    def frame(self, x: float, y: float, width: float, height: float) -> None:
        """Draw the outline of a rectangle."""
        self._shapes.append(
            f'<rect x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:.2f}" '
            f'fill="none" stroke="{INK}" stroke-width="0.80"/>'
        )

    def dot(self, x: float, y: float, radius: float, colour: str, filled: bool = True) -> None:
        """Draw a marker."""
        fill = colour if filled else "white"
        self._shapes.append(
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{radius:.2f}" fill="{fill}" '
            f'stroke="{colour}" stroke-width="1.00"/>'
        )

    def words(
        self,
        x: float,
        y: float,
        text: str,
        *,
        anchor: str = "middle",
        size: float = 11.0,
        colour: str = INK,
        turned: bool = False,
    ) -> None:
        """Write text; ``turned`` reads upwards."""
        turn = f' transform="rotate(-90 {x:.2f} {y:.2f})"' if turned else ""
        self._shapes.append(
            f'<text x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}" font-size="{size:.1f}" '
            f'fill="{colour}"{turn}>{escape(text, quote=False)}</text>'
        )

    def clip(self, name: str, x: float, y: float, width: float, height: float) -> None:
        """Begin a group that is cut to a rectangle; ``name`` is unique on the page."""
        self._shapes.append(
            f'<clipPath id="{name}"><rect x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" '
            f'height="{height:.2f}"/></clipPath><g clip-path="url(#{name})">'
        )

    def end(self) -> None:
        """End the group."""
        self._shapes.append("</g>")

    def text(self) -> str:
        """Return the element."""
        body = "\n".join(self._shapes)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:.0f} '
            f'{self.height:.0f}" role="img" font-family="inherit">\n'
            f"<title>{escape(self._title, quote=False)}</title>\n"
            f"<desc>{escape(self._description, quote=False)}</desc>\n{body}\n</svg>"
        )
