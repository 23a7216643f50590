"""ASEG-GDF2: definitions, records, and which field is what."""
