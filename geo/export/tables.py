"""rates.csv: every rate with its doubt, cost, reasons, sources, and the uniform alternative.

buy.csv: what to buy for it, in the order to spend in where money is short.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from geo.materials import materials_of
from geo.prescribing.prescribed import Uniform
from geo.prescribing.purchase import DELIVERY, purchase_list, spend_first
from geo.prescription import Rate
from geo.season import Season

COLUMNS = (
    "block",
    "amendment",
    "material",
    "zone",
    "hectares",
    "rate_kg_ha",
    "low_kg_ha",
    "high_kg_ha",
    "passes_kg_ha",
    "product_kg",
    "product_cost",
    "cost",
    "currency",
    "status",
    "from_memory",
    "reasons",
    "sources",
)
BUY_COLUMNS = (
    "block",
    "first",
    "material",
    "amendments",
    "needed_kg",
    "buy_kg",
    "packing",
    "product_cost",
    "cost",
    "so_far",
    "currency",
    "why",
    "delivery",
)
#: Spreadsheets run a cell that begins with one of these (OWASP ASVS 1.2.10, CWE-1236).
RUNS = "=+-@\t\r\n＝＋－＠"


def csv_cell(value: Any) -> Any:
    """A cell that no spreadsheet will run; numbers stay numbers.

    Examples
    --------
    >>> csv_cell(-5.2), csv_cell("=2+3"), csv_cell("Poel")
    (-5.2, "'=2+3", 'Poel')
    """
    if value is None or isinstance(value, int | float):
        return value
    text = str(value)
    start = text.lstrip(" ")
    return "'" + text if start and start[0] in RUNS else text


def csv_text(columns: Iterable[str], rows: Iterable[dict[str, Any]]) -> str:
    """Rows as CSV text (RFC 4180: comma, CRLF), cells made safe."""
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=list(columns), lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({key: csv_cell(value) for key, value in row.items()} for row in rows)
    return out.getvalue()


def _uniform_said(one: Uniform) -> str:
    """What one rate over the block would come to, in words."""
    if one.rate_kg_ha <= 0:
        return "One rate would be none: most of the block asks for nothing."
    lost = one.expected_loss_ratio - 1
    return (
        f"Its expected loss is {100 * lost:.0f} % above that of the zones." if lost > 0.005 else ""
    )


def write_rates(season: Season, path: Path) -> None:
    """Write rates.csv, and buy.csv beside it where there is something to buy."""
    path.write_text(csv_text(COLUMNS, rate_rows(season)), encoding="utf-8", newline="")
    if bought := buy_rows(season):
        text = csv_text(BUY_COLUMNS, bought)
        path.with_name("buy.csv").write_text(text, encoding="utf-8", newline="")


def rate_rows(season: Season) -> list[dict[str, Any]]:
    """One row a zone, all zones of an amendment, the same at one rate, then what is held and why.

    The rows "all zones" and "uniform alternative" cost alike: delivered and spread.
    """
    plan = season.prescription
    known = materials_of(season.settings)
    prices = {key: known[key].price_per_t for key in plan.totals_kg if key in known}
    zones = [
        {
            "block": season.block.name,
            "amendment": rate.amendment,
            "material": rate.material,
            "zone": rate.zone_id,
            "hectares": round(rate.area_ha, 4),
            "rate_kg_ha": rate.rate_kg_ha,
            "low_kg_ha": rate.low_kg_ha,
            "high_kg_ha": rate.high_kg_ha,
            "passes_kg_ha": " + ".join(f"{p:g}" for p in rate.passes) if rate.passes else "",
            "product_kg": round(rate.rate_kg_ha * rate.area_ha, 1),
            "product_cost": _product_cost(rate, prices.get(rate.material)),
            "status": "rate",
            "from_memory": "from memory, please check" if rate.from_memory else "",
            "reasons": " ".join(rate.reasons),
            "sources": " ".join(rate.sources),
        }
        for rate in plan.rates
    ]
    uniform = [
        {
            "block": season.block.name,
            "amendment": one.amendment,
            "material": one.material,
            "zone": "all",
            "hectares": round(season.block.area_ha, 4),
            "rate_kg_ha": one.rate_kg_ha,
            "low_kg_ha": one.low_kg_ha,
            "high_kg_ha": one.high_kg_ha,
            "product_kg": round(one.total_kg, 1),
            "cost": None if one.cost is None else round(one.cost, 2),
            "status": "uniform alternative",
            "reasons": _uniform_said(one),
        }
        for one in plan.uniform.values()
    ]
    totals = [
        {
            "block": season.block.name,
            "amendment": amendment,
            "material": material,
            "zone": "all",
            "hectares": round(sum(rate.area_ha for rate in of_it), 4),
            "product_kg": round(sum(rate.rate_kg_ha * rate.area_ha for rate in of_it), 1),
            "cost": None if cost is None else round(cost, 2),
            "status": "all zones",
        }
        for (amendment, material), of_it in _by_amendment(plan.rates).items()
        for cost in [plan.costs.get(amendment)]
    ]
    held = [
        {
            "block": season.block.name,
            "amendment": one.amendment,
            "status": one.kind.replace("_", " "),
            "reasons": one.reason,
            "sources": " ".join(one.sources),
        }
        for one in plan.held
    ]
    currency = season.settings.currency
    return [row | {"currency": currency} for row in zones + totals + uniform] + held


def _by_amendment(rates: Iterable[Rate]) -> dict[tuple[str, str], list[Rate]]:
    """Rates of each amendment and the product that carries it."""
    found: dict[tuple[str, str], list[Rate]] = {}
    for rate in rates:
        found.setdefault((rate.amendment, rate.material), []).append(rate)
    return found


def buy_rows(season: Season) -> list[dict[str, Any]]:
    """One row a product to buy; `first` numbers them from what is worth its money most.

    `product_cost` is the product as bought, `cost` with delivery and spreading, `so_far` the sum
    of costs down to this row; without prices they stay empty.
    """
    plan = season.prescription
    carried: dict[str, list[str]] = {}
    for amendment, material in _by_amendment(plan.rates):
        carried.setdefault(material, []).append(amendment)
    order = {one.amendment: (number, one) for number, one in enumerate(spend_first(plan), start=1)}
    rows = []
    for line in purchase_list([plan], season.settings):
        amendments = carried[line.material]
        ranked = [order[name] for name in amendments if name in order]
        number, spending = min(ranked, key=lambda one: one[0], default=(None, None))
        costs = [plan.costs.get(name) for name in amendments]
        rows.append(
            {
                "block": season.block.name,
                "first": number,
                "material": line.material,
                "amendments": " ".join(amendments),
                "needed_kg": round(line.needed_kg, 1),
                "buy_kg": round(line.bought_kg, 1),
                "packing": line.packing,
                "product_cost": None if line.cost is None else round(line.cost, 2),
                "cost": None if None in costs else round(sum(c for c in costs if c), 2),
                "so_far": None if spending is None else round(spending.so_far, 2),
                "currency": season.settings.currency,
                "why": "" if spending is None else spending.why,
                "delivery": DELIVERY if season.settings.costs.delivery_per_t else "",
            }
        )
    return sorted(rows, key=lambda row: (row["first"] is None, row["first"] or 0))


def _product_cost(rate: Rate, price_per_t: float | None) -> float | None:
    """Product of one zone at its price, without bags, delivery and spreading. [currency]"""
    if price_per_t is None:
        return None
    return round(rate.rate_kg_ha * rate.area_ha / 1000 * price_per_t, 2)
