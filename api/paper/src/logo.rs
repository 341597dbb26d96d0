//! A picture beside the sender's name. It is tried before it is taken, so that no statement fails for
//! it later.

use crate::document::{Document, Instant, Labels, Look, Paper};
use crate::press::{Figures, PressError, pdf};
use image::ImageReader;
use std::io::Cursor;

/// Longest side taken, in pixels: a sheet's width in print has fewer.
const SIDE_MOST: u32 = 4_000;

/// A logo.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logo {
    /// PNG, JPEG or WebP.
    pub bytes: Vec<u8>,
}

/// Why a picture is no logo.
#[derive(Debug, thiserror::Error)]
pub enum LogoError {
    /// It is not a picture of a known kind, or its head is broken.
    #[error("the picture can't be read")]
    Unreadable(#[from] image::ImageError),
    /// It has too many pixels.
    #[error("the picture is {width} by {height} pixels; {SIDE_MOST} by {SIDE_MOST} is the most")]
    TooLarge {
        /// Its width in pixels.
        width: u32,
        /// Its height in pixels.
        height: u32,
    },
    /// The typesetter can't set it.
    #[error(transparent)]
    Press(#[from] PressError),
}

impl Logo {
    /// Sets a sheet with nothing but the logo on it.
    ///
    /// # Errors
    /// Why it can't be set.
    pub fn check(&self) -> Result<(), LogoError> {
        let reader = ImageReader::new(Cursor::new(&self.bytes)).with_guessed_format();
        let (width, height) = reader.map_err(image::ImageError::from)?.into_dimensions()?;
        if width.max(height) > SIDE_MOST {
            return Err(LogoError::TooLarge { width, height });
        }
        pdf(&sheet(), &Figures { name: "none.csv".to_owned(), csv: String::new() }, Some(self))?;
        Ok(())
    }
}

fn sheet() -> Document {
    let labels = Labels {
        page: String::new(),
        of: String::new(),
        charts_in_numbers: String::new(),
        figures_file: String::new(),
    };
    Document {
        id: "logo".to_owned(),
        language: "en".to_owned(),
        made: Instant { year: 2000, month: 1, day: 1, hour: 0, minute: 0, second: 0 },
        title: "Logo".to_owned(),
        from: vec!["Logo".to_owned()],
        lead: String::new(),
        standing: String::new(),
        sections: Vec::new(),
        labels,
        look: Look { paper: Paper::A4, accent: "#000000".to_owned(), logo: Some("Logo".to_owned()) },
    }
}
