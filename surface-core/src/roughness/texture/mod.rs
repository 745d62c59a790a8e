//! Invented roughness below the wavelength that a surface carries: labelled, the same for the same
//! seed, drawn from the road's own spectrum.
//!
//! Sparse convolution noise (Lewis 1989): kernels of random sign and size stand at random places of
//! the road, one a cell of a lattice in (s, t), each turned to the road's direction. The kernel's
//! transform is the root of the wanted spectrum, which fades out from the limit to 1.2 times the limit,
//! so along the road there is nothing longer, whatever the bend; and a place is textured alike whoever
//! asks for it.

mod field;
mod kernel;
mod spectrum;

pub use field::Texture;
pub use spectrum::{TextureError, TextureSpectrum};
