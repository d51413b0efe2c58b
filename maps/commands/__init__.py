"""The commands of `soilquilt`, one module each; heavy imports wait until a command runs."""
