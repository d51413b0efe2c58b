"""A table of plant samples -> TissueTests; a test without stage or organ is kept and not rated."""

from __future__ import annotations

from geo.findings import Finding
from geo.intake.headings import property_of, split_heading
from geo.intake.ids import tidy
from geo.intake.known import Known
from geo.intake.numbers import read_cell
from geo.intake.reading import Column, TissueTest
from geo.intake.tables import Row, Table
from geo.intake.when import day_comes_first, read_date
from geo.lookup import properties

#: Nutrients of a plant sample: the soil's element keys, total nitrogen and nitrate-nitrogen.
NUTRIENTS = ("n", "no3_n", "p", "k", "ca", "mg", "na", "s", "fe", "mn", "zn", "cu", "b", "cl", "al")

_PERCENT = ("%", "g/100g", "percent")
_MG_KG = ("mg/kg", "ppm", "ug/g")


def is_tissue(table: Table) -> bool:
    """Whether a table speaks of plants: it has an organ or a growth stage."""
    return table.column_of("organ") is not None or table.column_of("stage") is not None


def nutrient_of(column: Column) -> tuple[str, str]:
    """Nutrient and unit of a column; empty where it is none.

    Examples
    --------
    >>> nutrient_of(Column("N %", "", "%", "")), nutrient_of(Column("NO3-N mg/kg", "", "", ""))
    (('n', '%'), ('no3_n', 'mg/kg'))
    """
    words, unit = split_heading(column.heading)
    key = "n" if words in ("n", "total n", "nitrogen", "n total") else property_of(words)
    return (key if key in NUTRIENTS else ""), column.unit or unit


def read_tissue(table: Table, known: Known) -> tuple[tuple[TissueTest, ...], tuple[Finding, ...]]:
    """Plant samples of a table."""
    findings: list[Finding] = []
    nutrients = {i: nutrient_of(c) for i, c in enumerate(table.columns)}
    columns = {i: pair for i, pair in nutrients.items() if pair[0]}
    for i, (key, unit) in columns.items():
        if _plant_unit(unit) is None:
            findings.append(_unit(table, i, key, unit))
    day_first, _ = day_comes_first([_cell(table, r, "date") for r in table.rows], table.decimal)
    tests = []
    for number, row in enumerate(table.rows, start=1):
        values, odd = _values(table, row, columns)
        findings += odd
        test = TissueTest(
            sample_id=tidy(_cell(table, row, "id")) or str(number),
            block=_block(_cell(table, row, "block"), known),
            part=_cell(table, row, "zone"),
            stage=_cell(table, row, "stage").lower(),
            organ=_cell(table, row, "organ").lower(),
            sampled_on=read_date(_cell(table, row, "date"), day_first=day_first),
            values=values,
            row=row.number,
        )
        tests.append(test)
        findings += _unclear(test, table, known)
    return tuple(tests), tuple(findings)


def _cell(table: Table, row: Row, role: str) -> str:
    index = table.column_of(role)
    return "" if index is None else row[index]


def _block(text: str, known: Known) -> str:
    block = known.block_named(text)
    return block.name if block else tidy(text)


def _plant_unit(unit: str) -> str | None:
    """Units of plant tests; anything else is not taken."""
    bare = unit.lower().replace(" ", "")
    return "%" if bare in _PERCENT else "mg/kg" if bare in _MG_KG else None


def _unit(table: Table, index: int, key: str, unit: str) -> Finding:
    what = f"{unit!r} is not a unit of plant tests" if unit else "has no unit"
    return Finding(
        "tissue_unit", "open", f"{table.columns[index].heading}: {what}.",
        "Write % or mg/kg of dry matter in the heading.", "The column is not used.", table.name,
        table.header_row, table.columns[index].heading, (), (key,),
    )  # fmt: skip


def _values(
    table: Table, row: Row, columns: dict[int, tuple[str, str]]
) -> tuple[dict[str, tuple[float, str]], list[Finding]]:
    values: dict[str, tuple[float, str]] = {}
    findings = []
    for i, (key, unit) in columns.items():
        cell, taken = read_cell(row[i], table.decimal), _plant_unit(unit)
        if cell.qualifier == "" and cell.value is not None and taken:
            values[key] = (cell.value, taken)
        elif cell.qualifier not in ("missing", "") and key:
            name = properties()[key].name if key in properties() else "nitrogen"
            findings.append(
                Finding(
                    "tissue_cell", "warning", f"{name}: {row[i]!r} is not a number.", "",
                    "Left out.", table.name, row.number, table.columns[i].heading,
                    (_cell(table, row, "id"),), (key,),
                )
            )  # fmt: skip
    return values, findings


def _unclear(test: TissueTest, table: Table, known: Known) -> list[Finding]:
    findings = []
    lacking = [w for w, t in (("growth stage", test.stage), ("organ", test.organ)) if not t]
    if lacking:
        findings.append(
            Finding(
                "tissue_not_rated", "warning",
                f"Leaf test {test.sample_id} does not say its {' and '.join(lacking)}.",
                "Write petiole or blade, and full bloom or veraison.",
                "Kept; without it there is no rating.", table.name, test.row, "",
            )
        )  # fmt: skip
    if known.blocks and known.block_named(test.block) is None:
        findings.append(
            Finding(
                "tissue_block", "warning",
                f"Leaf test {test.sample_id} is of block {test.block!r}, which the farm does not "
                "have.", "Correct the block's name in the file.", "Kept; it releases nothing.",
                table.name, test.row, "",
            )
        )  # fmt: skip
    return findings
