"""The parts of surfaces: columns ready for mapping, block means, what is said beside a map."""
