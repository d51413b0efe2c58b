"""All drawing and serving: no agronomy, no kriging."""
