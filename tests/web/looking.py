"""How a page looks, as numbers and complaints."""

from __future__ import annotations

import base64
from typing import Any


def violations(page: Any) -> list[str]:
    """What axe-core finds, WCAG A and AA and its best practices."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [f"{v['id']}: {[n['target'] for n in v['nodes'][:3]]}" for v in found]


def mean_light(picture: bytes, page: Any) -> float:
    """Mean brightness (0 to 255) of a PNG, decoded by the browser."""
    return float(
        page.evaluate(
            """async (text) => {
            const blob = await (await fetch("data:image/png;base64," + text)).blob();
            const bitmap = await createImageBitmap(blob, { resizeWidth: 16, resizeHeight: 16 });
            const context = new OffscreenCanvas(16, 16).getContext("2d");
            context.drawImage(bitmap, 0, 0);
            const bytes = context.getImageData(0, 0, 16, 16).data;
            return bytes.reduce((sum, each, i) => sum + (i % 4 < 3 ? each : 0), 0) / 768;
        }""",
            base64.b64encode(picture).decode(),
        )
    )
