"""Statistics over history. Empty until there is a fleet to speak of."""
