"""The parts of a prescription: products asked for, blended, ordered, priced and bought."""
