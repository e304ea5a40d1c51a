"""What was done and read with one set of plates, what is known from it, and what comes next."""
