"""The parts of the method 'Along and across': traverses as curves, and what lies between them."""
