//! A report of about four pages, as long as those of a site with two units that are read daily.

use std::fmt::Write;
use weirbook_paper::Figures;
use weirbook_paper::document::{Block, Chart, Column, Document, Instant, Labels, Look, Paper, Row, Section, Table};

/// The n-th report: others have other figures.
pub(crate) fn report(n: usize) -> Document {
    let text = |text: &str| Block::Text { text: text.to_owned() };
    let section = |id, title: &str, blocks| Section { id, title: title.to_owned(), blocks };
    Document {
        id: format!("sample-{n}"),
        language: "en".to_owned(),
        made: Instant { year: 2026, month: 2, day: 2, hour: 3, minute: 0, second: 0 },
        title: format!("Water savings of Harbour Haulage {n}, January 2026"),
        from: vec!["Brookside Wash Systems".to_owned(), "4 Mill Lane".to_owned(), "Brookside".to_owned()],
        lead: format!("In January 2026, the wash bays of Harbour Haulage used {n}.5 m³ of fresh water."),
        standing: "Issued 3 February 2026, 04:00 by a person of Brookside Wash Systems; revision 2.".to_owned(),
        sections: vec![
            section("reckoning", "Reckoning", vec![Block::Table(table(n, 13, 3))]),
            section("charts", "Over time", vec![chart(n, "days", 31), chart(n, "months", 13)]),
            section("units", "Units", vec![Block::Table(table(n, 4, 6)), Block::Table(table(n, 6, 5))]),
            section("service", "Service", vec![Block::Table(table(n, 6, 3)), text("Nothing falls due.")]),
            section("quality", "Water quality", vec![Block::Table(table(n, 10, 6))]),
            section("bill", "The bill with and without recycling", vec![Block::Table(table(n, 8, 5))]),
            section(
                "made",
                "How the figures were made",
                vec![Block::List { items: vec!["A sentence. ".repeat(12); 9] }],
            ),
            section("cautions", "Cautions", vec![Block::List { items: vec!["Mind this. ".repeat(9); 6] }]),
        ],
        labels: Labels {
            page: "Page".to_owned(),
            of: "of".to_owned(),
            charts_in_numbers: "The charts in numbers".to_owned(),
            figures_file: "The figures".to_owned(),
        },
        look: Look { paper: Paper::A4, accent: "#1d4e5f".to_owned(), logo: None },
    }
}

/// Its figures.
pub(crate) fn figures(n: usize) -> Figures {
    let csv = (0..120).fold("name,value\r\n".to_owned(), |mut text, line| {
        let _ = write!(text, "line {line},{}\r\n", n * line);
        text
    });
    Figures { name: "figures.csv".to_owned(), csv }
}

fn table(n: usize, rows: usize, columns: usize) -> Table {
    let cells = |row: usize| {
        (0..columns)
            .map(move |column| if column == 0 { format!("Line {row}") } else { format!("{} m³", n + row * column) })
    };
    let head = |column: usize| if column == 1 { Column::number("Amount", 6) } else { Column::words("Words", 8) };
    Table {
        caption: "What it shows".to_owned(),
        columns: (0..columns).map(head).collect(),
        rows: (0..rows).map(|row| Row::of(cells(row))).collect(),
    }
}

fn chart(n: usize, id: &str, bars: usize) -> Block {
    let mut svg = "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 640 240\"><style>text{font-family:\"Libertinus Serif\";font-size:12px}.a{fill:#0b5cad}</style>".to_owned();
    for bar in 0..bars {
        let (x, tall) = (64 + bar * 17, 20 + (bar * 7 + n) % 120);
        let _ = write!(
            svg,
            "<rect class=\"a\" x=\"{x}\" y=\"{}\" width=\"12\" height=\"{tall}\"/><text x=\"{x}\" y=\"218\">{bar}</text>",
            200 - tall
        );
    }
    svg.push_str("</svg>");
    Block::Chart(Chart {
        id: id.to_owned(),
        caption: format!("Water by {id}, in m³"),
        alt: format!("Bars of fresh water by {id}"),
        page_svg: svg.clone(),
        svg,
        table: Table { caption: String::new(), ..table(n, bars, 4) },
    })
}
