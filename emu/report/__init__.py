"""A run as one self-contained HTML page: verdict, pictures, evidence; see `page.write`."""
