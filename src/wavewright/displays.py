"""How objects show themselves in a notebook: each is drawn further down the flow, by what is entered under its name."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from wavewright.registry import Registry

DISPLAYS: Registry[Callable[..., str]] = Registry(
    "display", package="wavewright.reporting", group="wavewright.displays"
)


def display(name: str) -> Callable[[Callable[..., str]], Callable[..., str]]:
    """Enter the decorated function, from an object to HTML or SVG, as the display of objects of that kind."""
    return DISPLAYS.entering(name)


def shown_as(name: str, *subject: Any, **options: Any) -> str:
    """What the display of that name makes of an object."""
    return DISPLAYS.find(name)(*subject, **options)
