"""Data of a page -> folium layers that carry ids and numbers only.

folium renders every macro a second time as a Jinja template and puts popup text into scripts as it
is, so no word of the user ever goes into it: our own script shows names with `textContent`.
"""

from __future__ import annotations

import re
from typing import Any

Data = dict[str, Any]


def block_map(data: Data) -> tuple[str, str]:
    """HTML and script of the map: pictures and outline; ours to place in a page.

    Zones and samples are drawn by our own script from the data, since a wish draws them anew.

    folium names its elements by random numbers; they are counted here instead, so that the same
    season gives the same page.
    """
    import folium

    page = folium.Map(
        tiles=None, control_scale=False, zoom_control=False, zoom_snap=0.1, prefer_canvas=False
    )
    root: Any = page.get_root()
    for key, layer in _layers(folium, data):
        layer.add_to(page)
        _hand_over(key).add_to(layer)
    root.render()
    return _counted(root.html.render(), root.script.render())


def _layers(folium: Any, data: Data) -> list[tuple[str, Any]]:
    layers: list[tuple[str, Any]] = []
    for one in data["properties"]:
        for lens in one["lenses"]:
            overlay = folium.raster_layers.ImageOverlay(
                image="data:,", bounds=[list(corner) for corner in lens["bounds"]], alt=""
            )
            layers.append((f"picture:{one['key']}:{lens['key']}", overlay))
    layers.append(("outline", _geojson(folium, data["outline"])))
    return layers


def _geojson(folium: Any, content: Any) -> Any:
    return folium.GeoJson(content, embed=True, zoom_on_click=False)


def _hand_over(key: str) -> Any:
    """Pass a layer to our own script, which decides when it is seen."""
    from branca.element import MacroElement
    from folium.template import Template

    class HandOver(MacroElement):
        _template = Template(
            "{% macro script(this, kwargs) %}"
            "quilt.layer({{ this.key|tojson }}, {{ this._parent.get_name() }}, "
            "{{ this._parent._parent.get_name() }});"
            "{% endmacro %}"
        )

        def __init__(self) -> None:
            super().__init__()  # type: ignore[no-untyped-call]
            self.key = key

    return HandOver()


def _counted(*texts: str) -> tuple[str, str]:
    """The same texts with folium's random names counted from 1."""
    names: dict[str, str] = {}

    def count(match: re.Match[str]) -> str:
        return names.setdefault(match[0], f"id{len(names) + 1}")

    html, script = (re.sub("[0-9a-f]{32}", count, text) for text in texts)
    return html, script


def farm_map(data: Data) -> tuple[str, str]:
    """HTML and script of the map of a farm: pictures by address, outlines with their number."""
    import folium

    page = folium.Map(tiles=None, control_scale=False, zoom_control=False, zoom_snap=0.1)
    root: Any = page.get_root()
    layers: list[tuple[str, Any]] = []
    for block in data["blocks"]:
        if block["picture"]:
            overlay = folium.raster_layers.ImageOverlay(
                image="data:,", bounds=[list(corner) for corner in block["bounds"]], alt=""
            )
            layers.append((f"picture:{block['id']}", overlay))
        feature = {
            "type": "Feature", "properties": {"block": block["id"]}, "geometry": block["outline"],
        }  # fmt: skip
        layers.append((f"block:{block['id']}", _geojson(folium, feature)))
    layers.append(("outline", _geojson(folium, {"type": "FeatureCollection", "features": []})))
    for key, layer in layers:
        layer.add_to(page)
        _hand_over(key).add_to(layer)
    root.render()
    return _counted(root.html.render(), root.script.render())
