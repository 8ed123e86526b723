"""Clips from a phone: opening them, and what is heard in them."""
