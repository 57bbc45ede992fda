"""Who answers the prompts: a person at the terminal, or the hand that moves the cables of a simulated bench."""

from harness.operators.hand import AlwaysDone, SimulatedHand
from harness.operators.terminal import TerminalKeys, TerminalOperator, error_console

__all__ = ["AlwaysDone", "SimulatedHand", "TerminalKeys", "TerminalOperator", "error_console"]
