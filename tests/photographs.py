"""Photographs of labels, as a phone takes them: askew, unsharp, unevenly lit."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence

import numpy as np
from PIL import Image, ImageFilter

from rig.books.tag import SIZES, as_png, label_of


def _jpeg(picture: Image.Image) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=70)
    return out.getvalue()


BLANK = _jpeg(Image.new("RGB", (640, 480), "grey"))


def photograph(
    words: Sequence[str], size: str, *, turned: float = 0.0, width: int = 1800, height: int = 1350, seed: int = 1
) -> bytes:
    """A label on a dark rim as JPEG, half as wide as the picture, ``turned`` by so many degrees seen from the side."""
    label = Image.open(io.BytesIO(as_png(label_of(words, SIZES[size])))).convert("L")
    scale = width / 2 / label.width
    label = label.resize((round(scale * label.width), round(scale * label.height)), Image.Resampling.BICUBIC)
    scene = Image.new("L", (width, height), 60)
    scene.paste(label, ((width - label.width) // 2, (height - label.height) // 2))
    scene = scene.rotate(turned, Image.Resampling.BICUBIC, fillcolor=60)
    # Seen from the side: the far edge a tenth shorter than the near one.
    corners = (0, -0.05 * height, 0, 1.05 * height, width, height, width, 0)
    scene = scene.transform((width, height), Image.Transform.QUAD, corners, Image.Resampling.BICUBIC, fillcolor=60)
    scene = scene.filter(ImageFilter.GaussianBlur(1.2))
    light = 0.75 + 0.25 * np.cos(np.linspace(0, math.pi, width))[None, :]
    noise = np.random.default_rng(seed).normal(0, 6, (height, width))
    lit = np.clip(np.asarray(scene, dtype=float) * light + noise, 0, 255).astype(np.uint8)
    return _jpeg(Image.fromarray(lit))
