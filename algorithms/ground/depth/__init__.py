"""What depths coil pairs draw their response from."""
