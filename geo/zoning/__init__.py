"""The parts of zoning: loss, breaks, drivable rasters, outlines, criteria and indices."""
