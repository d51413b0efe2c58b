"""Damaged task files: which our subset schema refuses, and which only a rule can.

The outcomes are those seen when the published schema files of version 3.3 and 4.3 (isobus.net,
supporting documents) and the subset were tried with lxml on the same damages of one minimal file.
"""

from pathlib import Path

import pytest
from lxml import etree

SCHEMAS = Path(__file__).parent / "data" / "schemas"
HEAD = '<TSK A="TSK1" B="Lime North block 2026" C="CTR1" D="FRM1" E="PFD1" G="1"'
FIRST = '<PNT A="2" C="46.200000000" D="-119.500000000"/>'
RING_OF_ZONE_2 = """          <PNT A="2" C="46.201000000" D="-119.498000000"/>
          <PNT A="2" C="46.201000000" D="-119.499000000"/>
          <PNT A="2" C="46.200000000" D="-119.499000000"/>
"""

BOTH = {
    "latitude 91": (FIRST, FIRST.replace("46.2", "91.2")),
    "north and east swapped": (FIRST, '<PNT A="2" C="-119.500000000" D="46.200000000"/>'),
    "decimal comma": (FIRST, FIRST.replace("46.2", "46,2")),
    "coordinate with exponent": (FIRST, FIRST.replace("46.200000000", "4.62e1")),
    "rate with a fraction": ('B="250000"', 'B="2500.5"'),
    "rate past 31 bits": ('B="250000"', 'B="2147483648"'),
    "DDI of one digit": ('A="0006"', 'A="6"'),
    "DDI of five digits": ('A="0006"', 'A="00006"'),
    "id given twice": ('<FRM A="FRM1"', '<CTR A="CTR1" B="Twin"/><FRM A="FRM1"'),
    "wrong prefix of an id": ('A="CTR1"', 'A="XTR1"'),
    "name of 33 characters": ("Example grower", "x" * 33),
    "area with decimals": ('D="17116"', 'D="17116.5"'),
    "field without a name": (' C="North block"', ""),
    "zone code 255": ('<TZN A="2"', '<TZN A="255"'),
    "status 9": ('G="1"', 'G="9"'),
    "no status": (' G="1"', ""),
    "unknown attribute": ('<PAN A="PDT1"', '<PAN Q="1" A="PDT1"'),
    "unknown element": ('<PAN A="PDT1"/>', '<PAN A="PDT1"/><XYZ/>'),
    "default namespace": ("<ISO11783_TaskData ", '<ISO11783_TaskData xmlns="http://example.org" '),
    "major version 5": ('VersionMajor="3"', 'VersionMajor="5"'),
}
OURS_ALONE = {
    "ten digits of a fraction": (FIRST, FIRST.replace("46.200000000", "46.2000000001")),
    "negative rate": ('B="250000"', 'B="-1"'),
    "DDI in lower case": ('E="004B"', 'E="004b"'),
    "no default zone": (' H="0"', ""),
    "ring of two points": (RING_OF_ZONE_2, ""),
}
NEITHER = {
    "product that is not there": ('B="250000" C="PDT1"', 'B="250000" C="PDT9"'),
    "default zone that is not there": ('H="0"', 'H="77"'),
    "zone code given twice": ('<TZN A="2"', '<TZN A="1"'),
    "open ring": (RING_OF_ZONE_2.splitlines(keepends=True)[2], ""),
}


def refused(text: str) -> bool:
    schema = etree.XMLSchema(etree.parse(str(SCHEMAS / "isoxml-prescription-subset.xsd")))
    return not schema.validate(etree.fromstring(text.encode()))


def damaged(old: str, new: str) -> str:
    text = (SCHEMAS / "taskdata-minimal.xml").read_text(encoding="utf-8")
    assert old in text
    at = text.rindex(old) if old.startswith(" " * 10) else text.index(old)
    return text[:at] + new + text[at + len(old) :]


def test_there_are_29_damages_of_a_file_that_is_right():
    assert len(BOTH) + len(OURS_ALONE) + len(NEITHER) == 29
    assert not refused((SCHEMAS / "taskdata-minimal.xml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("damage", [*BOTH, *OURS_ALONE])
def test_the_subset_schema_refuses(damage):
    assert refused(damaged(*(BOTH | OURS_ALONE)[damage]))


@pytest.mark.parametrize("damage", NEITHER)
def test_what_no_schema_sees_is_left_to_the_rules(damage):
    """`check_task_data` refuses these four: tests/test_isoxml.py."""
    assert not refused(damaged(*NEITHER[damage]))
