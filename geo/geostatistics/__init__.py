"""Geostatistics in general: arrays of metres and values, no soil."""
