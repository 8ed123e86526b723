"""The gate in front of the app: who may come in from the network, and how far.

It stands before everything that the server answers: pages, pictures, uploads and the live connection.
"""

from tillerlens.server.gate import Gate
from tillerlens.server.keys import Access, PinError, Pins
from tillerlens.server.shop import Shop, open_shop, shop_now
from tillerlens.server.visit import LookingOnly, looking_only, refuse_if_looking, visitor

__all__ = [
    "Gate",
    "Access",
    "LookingOnly",
    "PinError",
    "Pins",
    "Shop",
    "looking_only",
    "open_shop",
    "refuse_if_looking",
    "shop_now",
    "visitor",
]
