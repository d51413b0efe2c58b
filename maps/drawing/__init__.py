"""SVG and PNG drawn by hand: blocks, zones, surfaces, figures, change."""
