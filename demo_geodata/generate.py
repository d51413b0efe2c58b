"""Make the files of the demo farm: python -m demo_geodata.generate [FOLDER]."""

from __future__ import annotations

import sys
from pathlib import Path

from demo_geodata.laboratory import write_gps, write_lab_2024, write_lab_2025
from demo_geodata.rasters import write_truth
from demo_geodata.records import write_applications, write_as_applied, write_outlines
from demo_geodata.texts import write_texts


def generate(folder: Path) -> None:
    """Write `ombervale/` and `truth/` into a folder."""
    farm = folder / "ombervale"
    farm.mkdir(parents=True, exist_ok=True)
    write_texts(farm)
    write_outlines(farm)
    write_gps(farm / "gps_2024.csv")
    write_lab_2024(farm / "lab_2024.csv")
    write_lab_2025(farm / "lab_2025.csv")
    write_applications(farm)
    write_as_applied(farm / "asapplied_lime_2024.csv")
    write_truth(folder / "truth")


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    generate(target)
    print(f"The demo farm stands in {target}.")
