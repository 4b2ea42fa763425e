"""HL7 v2.5.1 for hospitals whose engine speaks it: the readings of one entry as ORU^R01, and MLLP to send it."""
