"""A drawing as PNG, for viewers that cannot show SVG: the same shapes, by a library, with the font of the sheets."""

from importlib.resources import files

import resvg_py

from service.report.drawing import Drawing, svg

TWICE = 2.0  # points to pixels: legible on a dense screen and printed


def png(drawing: Drawing) -> bytes:
    """The picture, on the paper of the light palette; fonts of the machine play no part."""
    font = str(files("service").joinpath("report/fonts/DejaVuSans.ttf"))
    text = svg(drawing, "picture", alone=True)
    made = resvg_py.svg_to_bytes(svg_string=text, zoom=TWICE, skip_system_fonts=True, font_files=[font])
    return bytes(made)
