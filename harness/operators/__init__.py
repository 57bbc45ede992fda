"""Who answers the prompts: a person at the terminal or at the bench page, or the hand that moves a simulated bench's cables.

The page is in modules of its own (``page``, ``page_server``): its web packages are an extra.
"""

from harness.operators.hand import AlwaysDone, SimulatedHand
from harness.operators.terminal import TerminalKeys, TerminalOperator, error_console

__all__ = ["AlwaysDone", "SimulatedHand", "TerminalKeys", "TerminalOperator", "error_console"]
