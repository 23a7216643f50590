"""From what is recorded to apparent conductivity and susceptibility, and back."""
