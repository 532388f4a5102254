"""An invented farm and one year of it, played through the real operations from a fixed seed."""
