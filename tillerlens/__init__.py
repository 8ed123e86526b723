"""TillerLens: photographs of a wooden bow turned into numbers a bowyer can act on, each with its uncertainty."""

__version__ = "0.1.0"
