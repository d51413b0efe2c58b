"""Files that are written down rather than computed: settings, prices, tissue tests."""

from pathlib import Path

FARM = """\
# Ombervale: an invented farm of three vineyard blocks.

[farm]
name = "Ombervale"
currency = "ZAR"
units = "metric"

[tables]
prices = "prices.toml"

[grid]
seed = 20311

[spreader]
width_m = 4.8  # two rows, every second alley
speed_kmh = 5.0
transition_s = 4.0

[controller]
max_polygons = 100
max_kb = 250.0

[costs]
delivery_per_t = 180.0
delivery_minimum_t = 5.0
spreading_uniform_per_ha = 420.0
spreading_zones_per_ha = 560.0
soil_sample = 610.0
tissue_sample = 480.0
minutes_per_station = 14.0
labour_per_h = 190.0
"""

_BLOCK = """
[blocks."{name}"]
crop = "wine_grape"
planted = {planted}
row_azimuth_deg = {azimuth}
row_spacing_m = {row}
vine_spacing_m = {vine}
headland_m = 7.0
stones_pct = {stones}
bulk_density_mg_m3 = 1.40
amended_depth_cm = 15.0
yield_t_ha = 8.0
placement = {{ default = "full width", potassium = "band" }}
irrigation_ec_ds_m = 0.7
"""
_BLOCKS = (
    {"name": "Poel", "planted": 2006, "azimuth": 25.0, "row": 2.4, "vine": 1.2, "stones": 12.0},
    {"name": "Knieë", "planted": 2011, "azimuth": 90.0, "row": 2.4, "vine": 1.2, "stones": 5.0},
    {"name": "Werfie", "planted": 2015, "azimuth": 5.0, "row": 2.0, "vine": 1.0, "stones": 3.0},
)
_MORE = {
    "Knieë": 'drainage = "yes"  # water leaves at the foot\n',
    "Werfie": '\n[blocks."Werfie".spreader]\nwidth_m = 2.0\nby_hand = true\n',
}
#: Material, price per tonne, kg in a bag (None: bulk).
_PRICES = (
    ("calcitic_lime", 950, None),
    ("dolomitic_lime", 1010, None),
    ("gypsum", 870, None),
    ("elemental_sulfur_90", 9600, 25),
    ("potassium_sulfate", 18500, 25),
    ("triple_superphosphate", 14200, 25),
    ("magnesium_sulfate_heptahydrate", 9100, 25),
    ("limestone_ammonium_nitrate", 9800, 25),
    ("zinc_sulfate_monohydrate", 28000, 25),
    ("sodium_borate", 46000, 25),
    ("iron_chelate", 165000, 25),
    ("manganese_sulfate", 27000, 25),
    ("copper_sulfate", 78000, 25),
)

# ruff: noqa: E501
TISSUE = """\
sample,block,part,stage,organ,date,N %,NO3-N mg/kg,P %,K %,Ca %,Mg %,Na %,S %,Fe mg/kg,Mn mg/kg,Zn mg/kg,Cu mg/kg,B mg/kg
T1,Poel,west,full bloom,petiole,2024-11-12,0.92,640,0.24,1.85,1.42,0.33,0.03,0.11,62,310,31,9,24
T2,Poel,east,full bloom,petiole,2024-11-12,0.88,590,0.28,1.90,1.66,0.41,0.03,0.11,55,165,27,8,26
T3,Knieë,upright,full bloom,petiole,2024-11-13,0.71,210,0.33,0.95,1.80,0.62,0.07,0.12,48,88,38,10,33
T4,Knieë,foot,full bloom,petiole,2024-11-13,0.86,520,0.31,1.55,1.58,0.58,0.31,0.16,51,92,36,11,35
T5,Werfie,,full bloom,petiole,2024-11-13,1.18,1450,0.52,3.40,1.35,0.36,0.05,0.14,29,24,64,12,38
T6,Poel,west,veraison,blade,2025-01-21,2.05,,0.19,0.98,1.95,0.27,0.02,0.17,96,420,24,14,27
T7,Poel,east,veraison,blade,2025-01-21,2.10,,0.21,1.02,2.20,0.33,0.02,0.17,88,240,22,13,28
T8,Knieë,upright,veraison,blade,2025-01-22,1.62,,0.22,0.58,2.60,0.48,0.05,0.18,83,130,28,15,34
T9,Knieë,foot,veraison,blade,2025-01-22,1.98,,0.23,0.85,2.35,0.45,0.19,0.21,85,128,27,15,36
T10,Werfie,,veraison,blade,2025-01-22,2.75,,0.31,1.40,2.05,0.30,0.03,0.20,41,33,45,16,41
"""


def farm_text() -> str:
    """farm.toml."""
    return FARM + "".join(_BLOCK.format(**b) + _MORE.get(str(b["name"]), "") for b in _BLOCKS)


def prices_text() -> str:
    """prices.toml; no `bag_kg` means loose, by the tonne."""
    text = "# Invented prices in ZAR, before tax. Lime and gypsum come in bulk or in 1 t bags.\n"
    for key, price, bag_kg in _PRICES:
        text += f"\n[materials.{key}]\nprice_per_t = {price:.1f}\n"
        text += f"bag_kg = {bag_kg:.1f}\n" if bag_kg else ""
    return text


def write_texts(folder: Path) -> None:
    """farm.toml, prices.toml and the tissue tests."""
    files = {
        "farm.toml": farm_text(),
        "prices.toml": prices_text(),
        "tissue_2024_25.csv": TISSUE,
    }
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
