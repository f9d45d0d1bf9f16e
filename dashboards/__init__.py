"""The web application: pages, JSON interface, live events. It sees a narrow `Services` object and nothing behind it."""
