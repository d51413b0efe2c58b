"""The farm's records in one GeoPackage, through Python's sqlite3 alone."""
