"""Registration, lens, light: arrays in, arrays out."""
