"""What happens to plates: strokes, the grit layer, wear, time."""
