//! Photos and documents that stand behind records: what they are, by their own first bytes.

use crate::named::named;

/// Largest file, in bytes.
pub const FILE_BYTES_MAX: usize = 8 * 1024 * 1024;

named! {
    /// What a file is.
    MediaType as "media_type" {
        /// A photo: JPEG.
        Jpeg = "image/jpeg",
        /// A photo: PNG.
        Png = "image/png",
        /// A photo: WebP.
        Webp = "image/webp",
        /// A document: PDF.
        Pdf = "application/pdf",
    }
}

named! {
    /// The kinds of record that files stand behind.
    FileRecord as "record" {
        /// A reading: its meter, at its instant.
        Reading = "reading",
        /// A service event.
        ServiceEvent = "service_event",
        /// What was done of a routine: the certificates of its dues.
        RoutineDone = "routine_done",
        /// The logo of a customer's reports: the customer.
        ReportLogo = "report_logo",
    }
}

/// Why a file is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum FileError {
    /// None of the kinds that are kept.
    #[error("send a JPEG, PNG or WebP photo, or a PDF; other kinds of file are not kept")]
    UnknownKind,
    /// A document where a photo is wanted.
    #[error("send a photo here: JPEG, PNG or WebP")]
    NotAPhoto,
    /// Nothing.
    #[error("the file is empty")]
    Empty,
    /// Too much.
    #[error("the file is larger than 8 MiB; send a smaller one")]
    TooLarge,
}

impl FileError {
    /// Stable code.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::UnknownKind => "unknown_kind",
            Self::NotAPhoto => "not_a_photo",
            Self::Empty => "empty",
            Self::TooLarge => "too_large",
        }
    }
}

impl MediaType {
    /// What a file is, by its first bytes; the sender's word for it counts for nothing.
    ///
    /// The signatures are those of ISO/IEC 10918-1 (SOI and the marker after it), of the PNG
    /// specification (section 5.2), of the WebP container (RFC 9649, section 2.4) and of ISO
    /// 32000-1 (section 7.5.2).
    ///
    /// # Errors
    /// When it is empty, too large or of another kind.
    pub fn sniffed(bytes: &[u8]) -> Result<Self, FileError> {
        match bytes {
            [] => Err(FileError::Empty),
            _ if bytes.len() > FILE_BYTES_MAX => Err(FileError::TooLarge),
            [0xff, 0xd8, 0xff, ..] => Ok(Self::Jpeg),
            [0x89, b'P', b'N', b'G', 0x0d, 0x0a, 0x1a, 0x0a, ..] => Ok(Self::Png),
            [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => Ok(Self::Webp),
            [b'%', b'P', b'D', b'F', b'-', ..] => Ok(Self::Pdf),
            _ => Err(FileError::UnknownKind),
        }
    }

    /// The same where only a photo will do.
    ///
    /// # Errors
    /// As [`MediaType::sniffed`], and for a document.
    pub fn sniffed_photo(bytes: &[u8]) -> Result<Self, FileError> {
        let media = Self::sniffed(bytes)?;
        if media == Self::Pdf { Err(FileError::NotAPhoto) } else { Ok(media) }
    }

    /// What its name on a disk ends in.
    #[must_use]
    pub fn extension(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::Webp => "webp",
            Self::Pdf => "pdf",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_what_its_bytes_say() {
        for (bytes, media) in [
            (&b"\xff\xd8\xff\xe0\0\x10JFIF"[..], MediaType::Jpeg),
            (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", MediaType::Png),
            (b"RIFF\x24\0\0\0WEBPVP8 ", MediaType::Webp),
            (b"%PDF-1.7\n", MediaType::Pdf),
        ] {
            assert_eq!(MediaType::sniffed(bytes), Ok(media));
        }
        for other in
            [&b"<svg onload=alert(1)>"[..], b"<!doctype html>", b"GIF89a", b"\xff\xd8", b"RIFF\x24\0\0\0WAVE", b"MZ"]
        {
            assert_eq!(MediaType::sniffed(other), Err(FileError::UnknownKind), "{other:?}");
        }
        assert_eq!(MediaType::sniffed(b""), Err(FileError::Empty));
        assert_eq!(MediaType::sniffed_photo(b"%PDF-1.7\n"), Err(FileError::NotAPhoto));
        let mut large = b"%PDF-".to_vec();
        large.resize(FILE_BYTES_MAX + 1, 0);
        assert_eq!(MediaType::sniffed(&large), Err(FileError::TooLarge));
    }
}
