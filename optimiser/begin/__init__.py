"""From an export that nobody has described to a plant file: look, recognise, draft."""
