"""The parts of the checks: values worked out, and values that cannot be."""
