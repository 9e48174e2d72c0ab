"""What is found on the skin: fields, guide, places, limbs, the plane of symmetry."""
