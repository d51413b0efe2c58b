"""map.html: one self-contained page a block, which opens from disk with no network."""

from __future__ import annotations

import json
from pathlib import Path

from geo.season import Season
from maps.assets import STATIC, TEMPLATES
from maps.pagedata import Data, page_data

#: Stitches from little to most: name, pattern width and height, stitch length [px], opacity. The
#: closer they stand, the more is spread.
STITCHES = (
    ("D", 17, 15, 6, 0.75),
    ("C", 11, 14, 7, 0.75),
    ("B", 7.5, 13, 7.5, 0.75),
    ("A", 6, 12, 8, 1),
)

#: What stands before the data in the page.
MARK = '<script type="application/json" id="page-data">'


def write_map(season: Season, folder: Path) -> None:
    """Write map.html for a season into its folder."""
    (folder / "map.html").write_text(map_page(page_data(season)), encoding="utf-8")


def map_page(data: Data) -> str:
    """The page as text; all user text in it is JSON shown with `textContent`, or escaped HTML."""
    from jinja2 import Environment, FileSystemLoader, select_autoescape
    from markupsafe import Markup

    from maps.layers import block_map

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=select_autoescape(["html"])
    )
    map_html, map_script = block_map(data)
    leaflet = leaflet_files()
    return environment.get_template("map.html").render(
        data=data,
        data_text=Markup(data_text(data)),
        stitches=STITCHES,
        map_html=Markup(map_html),
        map_script=Markup(map_script),
        leaflet_css=Markup(leaflet["leaflet.css"]),
        leaflet_js=Markup(leaflet["leaflet.js"]),
        page_css=Markup(_joined("quilt.css", "page.css")),
        page_js=Markup(_joined("parts.js", "blockmap.js", "page.js")),
    )


def data_text(data: Data) -> str:
    r"""The data as JSON that may stand in a script element: no "<" can end or nest one.

    Other signs stay as they are, since each escape would take six letters in place of one.

    Examples
    --------
    >>> data_text({"name": "</script>&"})
    '{"name":"\\u003c/script>&"}'
    """
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    return text.replace("<", "\\u003c")


def _joined(*names: str) -> str:
    """Our own files one after another, as a page holds them."""
    return "\n".join((STATIC / name).read_text(encoding="utf-8") for name in names)


def read_page_data(path: Path) -> Data:
    """The data inside a map.html, as it was written."""
    text = path.read_text(encoding="utf-8")
    start = text.index(MARK) + len(MARK)
    # Every "<" in the data is an escape, so the first end tag is the right one.
    data: Data = json.loads(text[start : text.index("</script>", start)])
    return data


def leaflet_files() -> dict[str, str]:
    """Leaflet's own script and style from its PyPI package."""
    import js_lib_leaflet

    folder = Path(js_lib_leaflet.__file__).parent / "static" / "js_lib_leaflet"
    return {
        name: (folder / name).read_text(encoding="utf-8").replace("</script", "<\\/script")
        for name in ("leaflet.css", "leaflet.js")
    }
