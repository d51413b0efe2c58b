"""The demo farm: files of an invented farm, and the script that makes them."""
