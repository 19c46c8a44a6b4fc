"""The configurations that come with the program: next to the packages in a checkout, inside ``rig`` once installed."""

from __future__ import annotations

from pathlib import Path

_RIG = Path(__file__).resolve().parent.parent


def shipped(name: str) -> Path:
    """The path of a shipped configuration, such as ``"demo.toml"``."""
    inside = _RIG / "config"
    return (inside if inside.is_dir() else _RIG.parent / "config") / name
