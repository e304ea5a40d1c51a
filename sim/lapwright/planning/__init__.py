"""Next steps: several ways of lapping the same plates, lapped in full and put in order."""
