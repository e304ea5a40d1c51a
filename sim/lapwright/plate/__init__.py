"""What plates are, and how their form is measured."""
