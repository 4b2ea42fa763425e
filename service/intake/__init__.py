"""What comes in: documents read strictly, faults named with pointers, rules held across entries."""
