"""Who decided what: append-only, chained by hashes; needs no statistics."""
