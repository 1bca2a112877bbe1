"""Pictures of the page for the README, from the synthetic person; also a look that there is something to see.

They are written to the folder that BRIDGE_PICTURES names, else thrown away.
"""

from __future__ import annotations

import asyncio
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from .browser import in_browser, see
from .rig import LoadedRules, Rig

PICTURES = [
    ("monitor-light", {"color_scheme": "light"}),
    ("monitor-dark", {"color_scheme": "dark"}),
    (
        "monitor-phone",
        {"color_scheme": "light", "viewport": {"width": 390, "height": 844}, "device_scale_factor": 2},
    ),
]


@pytest.mark.parametrize(("name", "context"), PICTURES, ids=[name for name, _ in PICTURES])
def test_picture(name: str, context: dict[str, Any], tmp_path: Path) -> None:
    folder = Path(os.environ.get("BRIDGE_PICTURES", tmp_path))
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.png"

    async def check(rig: Rig, browser: Any) -> None:
        rig.rules = LoadedRules("slides.yaml", rig.rules.rules)
        sight = await see(browser, rig.link, **context)
        await sight.page.wait_for_selector(".state[data-state=armed]")
        await asyncio.sleep(1.0)
        await sight.page.screenshot(path=path)

    # 49 s in, the person has just looked aside, squeezed and blinked on purpose.
    in_browser(check, past_s=49.0)
    with Image.open(path) as picture:
        picture.quantize(200).save(path, optimize=True)  # a third of the size, and it looks the same
    pixels = np.asarray(Image.open(path).convert("L"), dtype=np.float64)
    lanes = pixels[pixels.shape[0] // 3 :, pixels.shape[1] // 4 : pixels.shape[1] // 2]
    assert lanes.std(axis=1).max() > 10, "the lanes are empty"
