"""What the desk has done for it in processes of their own."""
