"""The rule file: schema, loader with error places, engine."""
