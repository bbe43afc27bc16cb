"""HL7 v2.5.1 as text (ER7), for those who read messages and those who write them."""
