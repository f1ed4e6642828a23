"""Recipes as YAML: models, loading with places, parameters and sweeps, checks, schema."""
