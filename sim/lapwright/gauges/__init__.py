"""What an instrument reads off a face, how surely, what it cannot see, and from readings back to form."""
