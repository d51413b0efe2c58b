"""Outline files read: shapes, valid polygons, and the coordinate system they are in."""
