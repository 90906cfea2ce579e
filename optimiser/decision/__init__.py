"""The proposal: advice, limits, promise, reasons."""
