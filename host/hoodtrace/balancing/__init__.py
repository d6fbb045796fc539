"""Which valve to turn next."""
