"""The demonstration: Kettlebrook Maker Space (fictitious) with virtual boards, a real broker and the real service."""
