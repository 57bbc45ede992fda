"""Sheets: pages a person reads or prints. A record goes in, HTML text with SVG pictures comes out; pure but for the plot library.

``build_sheet`` makes the page that a builder works from; ``render``, ``Drawing`` and ``frequency_plot`` serve every sheet.
"""

from harness.sheets.build import build_sheet
from harness.sheets.cutouts import Cutout, parse_cutouts
from harness.sheets.page import render
from harness.sheets.plots import Box, CurveOf, frequency_plot
from harness.sheets.svg import Drawing

__all__ = ["Box", "CurveOf", "Cutout", "Drawing", "build_sheet", "frequency_plot", "parse_cutouts", "render"]
