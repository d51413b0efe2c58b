"""Parts of the comparison of two seasons: pairs, noise, tests, maps, lessons and money."""
