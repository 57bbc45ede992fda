"""The baseline of start-up: a typer program with one command, set as the program's own is (plain help, no completion)."""

from __future__ import annotations

from typing import Annotated

import typer

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)


@app.command()
def greet(name: Annotated[str, typer.Argument(help="Whom to greet.")]) -> None:
    """Greet somebody."""
    typer.echo(f"Good morning, {name}.")


if __name__ == "__main__":
    app()
