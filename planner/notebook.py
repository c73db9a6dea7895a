"""What a result shows of itself in a notebook: its page, drawn by whoever knows how.

Results are made in rooms that draw nothing; the package says once, in `planner/__init__.py`, who draws which.
"""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any

drawn_by: dict[str, Callable[[Any], bytes]] = {}  # name of a result's class: its page as HTML
HEIGHT_PX = 720


class Drawn:
    """A result that draws itself where HTML is shown."""

    def _repr_html_(self) -> str | None:
        """The page in a frame of its own, which nothing of the notebook's styles touches; None: nobody draws it."""
        draw = drawn_by.get(type(self).__name__)
        return framed(draw(self).decode()) if draw is not None else None


def framed(page: str) -> str:
    """A whole page as an element of another; its scripts run, and reach nothing outside it."""
    style = f"width:100%;height:{HEIGHT_PX}px;border:1px solid #ccc"
    return f'<iframe sandbox="allow-scripts allow-popups" style="{style}" srcdoc="{escape(page)}"></iframe>'
