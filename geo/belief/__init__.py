"""The belief about a property of a block: many models weighted, their means, draws and verdicts."""
