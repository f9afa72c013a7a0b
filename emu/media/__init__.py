"""Media: floppy disks and card images, opened read-only, written to in memory."""
