"""What commands make: answers as numbers, told in words and to scripts from the same."""
