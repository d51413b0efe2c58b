"""Where our own templates, styles and scripts lie, for whatever fills or serves them."""

from pathlib import Path

TEMPLATES = Path(__file__).parent / "templates"
STATIC = Path(__file__).parent / "static"
