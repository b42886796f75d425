//! QR codes as SVG: one path, sharp at any size.

