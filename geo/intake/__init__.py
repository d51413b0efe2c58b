"""Files from the laboratory and the field -> readings in house units; nothing is stored here."""
