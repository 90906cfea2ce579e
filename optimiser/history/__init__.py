"""What was measured and what is known of it: contract, readers, findings, replay, demo plant."""
