"""What people take into tools of their own, as tables that are read page by page, however long they are."""
