"""Figures drawn into the page as plain vector pictures: they stand there at once, without any script.

The drawing library's own script takes seconds to start on a slow machine and draws each point as an element. Here
every trace becomes one path, once for each of three widths, so that text keeps its size on a phone, on a desk and
on paper. The same figure can be opened in the library for a closer look.

    axis     scales, ticks, their labels
    marks    symbols, lines, bars and error bars as paths
    picture  the whole figure at one width
"""

from misfire.report.drawing.picture import WIDTHS, picture_file, pictures

__all__ = ["WIDTHS", "picture_file", "pictures"]
