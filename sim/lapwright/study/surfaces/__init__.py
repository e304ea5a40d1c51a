"""Height maps in and out: SDF (ISO 25178-71), X3P (ISO 25178-72), CSV, NPY; one laid on a plate."""
