"""What a stroke takes out, leaves alone and makes, while the whole overlap bears."""
