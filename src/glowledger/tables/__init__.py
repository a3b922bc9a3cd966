"""The bundled facts: atomic lines, lamp lines, molecular constants, window materials."""
