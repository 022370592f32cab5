"""Pages in a real browser: WCAG 2.2 AA, the keyboard, 400 % zoom, paper, and text nobody vouched for."""
