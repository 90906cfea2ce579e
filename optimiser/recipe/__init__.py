"""The limits in force: read, resolved through overrides, written back exactly."""
