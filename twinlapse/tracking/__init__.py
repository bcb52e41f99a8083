"""What a film's frames did: their motion and light measured once, and what is done about it."""
