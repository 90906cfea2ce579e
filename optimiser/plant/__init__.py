"""What the plant measures, what its mistakes cost and what it allows (plant.toml)."""
