"""A frame's map as SVG: the strip, sharp at any size, to hang on a wall or to put into a document."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from packetkit.emit.frame_map import WIDTH, Box, Figure, Line, Words, figure
from packetkit.layout.model import Layout
from packetkit.targets.target import Dossier, Target

_STYLE = "font-family:Helvetica,Arial,sans-serif"
_MONO = "font-family:Menlo,Consolas,monospace"


def svg(made: Figure, ident: str = "map") -> str:
    """Return a figure as an SVG element that stands alone or in a page. ident: what its title is called there."""
    name = escape(ident)
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-4 0 {WIDTH + 8} {made.height:.0f}" role="img"'
    parts = [
        f'{head} aria-labelledby="{name}-title" style="{_STYLE}">',
        f'<title id="{name}-title">{escape(made.title)}</title>',
    ]
    for item in made.items:
        if isinstance(item, Box):
            grey = round(255 * item.shade)
            parts.append(
                f'<rect x="{item.x:g}" y="{item.y:g}" width="{item.width:g}" height="{item.height:g}" '
                f'fill="rgb({grey},{grey},{grey})" stroke="#000" stroke-width="1"/>'
            )
        elif isinstance(item, Line):
            parts.append(
                f'<line x1="{item.x:g}" y1="{item.y:g}" x2="{item.to_x:g}" y2="{item.to_y:g}" stroke="#000" stroke-width="1"/>'
            )
        else:
            parts.append(_words(item))
    return "\n".join([*parts, "</svg>"]) + "\n"


def _words(item: Words) -> str:
    more = "" if item.anchor == "start" else f' text-anchor="{item.anchor}"'
    more += ' font-weight="bold"' if item.bold else ""
    more += f' style="{_MONO}"' if item.mono else ""
    return f'<text x="{item.x:g}" y="{item.y:g}" font-size="{item.size:g}"{more}>{escape(item.text)}</text>'


def write(layouts: Mapping[str, Layout], dossier: Dossier) -> dict[str, str]:
    """Return an SVG file for each frame, by file name."""
    return {f"{dossier.mission}_{name}.svg": svg(figure(layout), name) for name, layout in layouts.items()}


TARGET = Target("frame_map", "A map of each frame: SVG, to print at any size.", write)
