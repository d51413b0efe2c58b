"""The parts of ratings: methods, published schemes, which of them may be used, tissue classes."""
