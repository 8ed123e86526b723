"""Training of the bow-finding networks: own rendered scenes, network definitions, export and validation."""
