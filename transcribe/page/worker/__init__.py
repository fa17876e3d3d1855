"""What takes time, done in processes of their own with limits: tasks of the page's server."""
