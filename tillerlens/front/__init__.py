"""The bow seen from its belly or back: the string's line, the tips' alignment, side bend and widths."""
