//! What a tester leaves behind: the record of a test, as a page in PDF (ISO 32000-1).

use std::fmt::Write;

/// A page with these lines, which hold no brackets and no backslash.
pub(crate) fn page(lines: &[String]) -> Vec<u8> {
    let shown: String = lines.iter().map(|line| format!("({line}) Tj T*\n")).collect();
    let content = format!("BT /F1 12 Tf 18 TL 72 770 Td\n{shown}ET");
    let objects = [
        "<< /Type /Catalog /Pages 2 0 R >>".to_owned(),
        "<< /Type /Pages /Kids [3 0 R] /Count 1 >>".to_owned(),
        "<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595 842] /Contents 4 0 R /Resources << /Font << /F1 5 0 R >> >> >>"
            .to_owned(),
        format!("<< /Length {} >>\nstream\n{content}\nendstream", content.len()),
        "<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>".to_owned(),
    ];
    let (mut text, mut table) = ("%PDF-1.4\n".to_owned(), "0000000000 65535 f \n".to_owned());
    // Writing to a String can't fail.
    for (object, n) in objects.iter().zip(1..) {
        let _ = writeln!(table, "{:010} 00000 n ", text.len());
        let _ = writeln!(text, "{n} 0 obj\n{object}\nendobj");
    }
    let (begins, size) = (text.len(), objects.len() + 1);
    let _ =
        write!(text, "xref\n0 {size}\n{table}trailer\n<< /Size {size} /Root 1 0 R >>\nstartxref\n{begins}\n%%EOF\n");
    text.into_bytes()
}
