"""From a family's tally to the proposal that an engineer signs or refuses."""
