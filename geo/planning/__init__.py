"""Where to take samples: designs, what they are worth, what the field allows, the way round."""
