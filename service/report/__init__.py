"""What is printed and handed over: pages made of the figures that the clinic gives, and of no others."""
