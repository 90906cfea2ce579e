"""From counts to candidate settings: exact front, blurred cost, descent, study."""
