//! Holds the four forms of a report against each other, figure by figure: JSON, page, PDF and CSV, each read
//! back by a program that is not the service's own (pdftotext and pdfdetach of poppler, qpdf).

use crate::support::{Answer, Client, Scratch};
use reqwest::Method;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::process::Command;

/// A line of the CSV, by its columns.
pub(crate) type Fact = BTreeMap<String, String>;

pub(crate) async fn accepting(client: &Client, path: &str, media: &str) -> Answer {
    let answer = client.send(client.request(Method::GET, path).header("accept", media)).await;
    assert_eq!(answer.status(), 200, "{media}: {answer:?}");
    assert!(answer.header("content-type").starts_with(media), "{answer:?}");
    answer
}

/// Runs a program on a file and gives what it wrote, to the file `-` or to standard output.
pub(crate) fn run(program: &str, arguments: &[&str]) -> String {
    let output = Command::new(program).args(arguments).output().unwrap_or_else(|error| panic!("{program}: {error}"));
    assert!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// What is printed in a PDF, by poppler.
pub(crate) fn pdf_text(pdf: &[u8]) -> String {
    let scratch = Scratch::new();
    let file = format!("{}/report.pdf", scratch.path());
    fs::write(&file, pdf).unwrap();
    run("pdftotext", &["-raw", &file, "-"])
}

/// What is printed in a PDF, the words of its pictures for those who can't see them (its tags of type
/// `Figure`: ISO 32000-1, 14.9.3), and the files within it, one after the other.
fn read(pdf: &[u8]) -> (String, Vec<String>, String) {
    let scratch = Scratch::new();
    let file = format!("{}/report.pdf", scratch.path());
    fs::write(&file, pdf).unwrap();
    let told: Value = serde_json::from_str(&run("qpdf", &["--json", &file])).unwrap();
    let objects = told["qpdf"][1].as_object().unwrap().values().map(|object| &object["value"]);
    let pictures = objects.filter(|object| object["/Type"] == "/StructElem" && object["/S"] == "/Figure");
    let words = |one: &Value| one["/Alt"].as_str().unwrap().trim_start_matches("u:").to_owned();
    let pictures = pictures.map(words).collect();
    run("pdfdetach", &["-saveall", "-o", scratch.path(), &file]);
    let within = fs::read_dir(scratch.path()).unwrap().map(|entry| entry.unwrap().path());
    let within = within.filter(|path| path.extension().is_some_and(|ending| ending == "csv"));
    let within = within.map(|path| fs::read_to_string(path).unwrap()).collect();
    (pdf_text(pdf), pictures, within)
}

/// Without spaces: where a line is broken is no matter of its figures.
pub(crate) fn close(text: &str) -> String {
    text.replace("&#60;", "<")
        .replace("&#62;", ">")
        .replace("&#38;", "&")
        .chars()
        .filter(|letter| !letter.is_whitespace())
        .collect()
}

/// The words of a page, its marks left out.
fn words(page: &str) -> String {
    let parts = page.split('<').map(|part| part.split_once('>').map_or(part, |(_, words)| words));
    parts.collect()
}

fn facts(csv: &str) -> Vec<Fact> {
    csv::Reader::from_reader(csv.as_bytes()).deserialize().collect::<Result<_, _>>().unwrap()
}

pub(crate) fn of<'f>(facts: &'f [Fact], section: &str) -> Vec<&'f Fact> {
    facts.iter().filter(|fact| fact["section"] == section).collect()
}

/// The number of a value whatever its unit, in the JSON of a figure; none of one that is not printed.
fn number(figure: &Value) -> Option<f64> {
    let object = figure.as_object()?;
    let value = object.iter().find(|(name, _)| name.starts_with("value_"))?.1;
    value["amount"].as_str().map_or_else(|| value.as_f64(), |amount| Some(amount.parse().unwrap()))
}

fn all(list: &Value) -> impl Iterator<Item = &Value> {
    list.as_array().into_iter().flatten()
}

fn amount(money: &Value) -> Option<f64> {
    Some(money["amount"].as_str()?.parse().unwrap())
}

/// Holds the four forms of a report against each other; gives the CSV and the PDF's text.
pub(crate) async fn compared(client: &Client, path: &str) -> (Vec<Fact>, String) {
    let (facts, pdf) = compared_as(client, path, "").await;
    let sentence = client.get(path).await.json()["figures"]["sentence"].as_str().unwrap().to_owned();
    assert!(close(&pdf).contains(&close(&sentence)), "{sentence} is not in {pdf}");
    (facts, pdf)
}

/// The same in another language or over other days.
pub(crate) async fn compared_as(client: &Client, path: &str, query: &str) -> (Vec<Fact>, String) {
    let figures = client.get(path).await.json()["figures"].clone();
    let csv = accepting(client, &format!("{path}{query}"), "text/csv").await;
    let raw = accepting(client, &format!("{path}{query}"), "application/pdf").await;
    let page = client.page(&format!("{}{query}", path.trim_start_matches("/v1"))).await;
    assert_eq!(page.status(), 200, "{page:?}");
    let facts = facts(csv.text());
    let (pdf, pictures, within) = read(raw.bytes());
    assert_eq!(within, csv.text(), "the figures within the PDF");
    same_pictures(page.text(), &pictures);
    let (on_page, on_paper) = (close(&words(page.text())), close(&pdf));
    for fact in &facts {
        let shown = close(&fact["shown"]);
        assert!(on_page.contains(&shown), "{fact:?} is not on the page");
        assert!(on_paper.contains(&shown), "{fact:?} is not on paper: {pdf}");
    }
    if !query.contains("language") {
        same_lines(&figures, &facts, [&on_page, &on_paper]);
    }
    same_reckoning(&figures, &of(&facts, "reckoning"));
    same_series(&figures, &facts);
    same_money(&figures, &facts);
    same_records(&figures, &facts);
    (facts, pdf)
}

/// Every picture of the page has words, and the PDF's pictures have the same ones.
fn same_pictures(page: &str, on_paper: &[String]) {
    let described = |part: &str| close(part.split_once("</desc>").unwrap().0.split_once('>').unwrap().1);
    let mut on_page: Vec<String> = page.split("<desc").skip(1).map(described).collect();
    let mut on_paper: Vec<String> = on_paper.iter().map(|words| close(words)).collect();
    assert_eq!(page.matches("<svg").count(), on_page.len(), "a picture without words");
    on_page.sort_unstable();
    on_paper.sort_unstable();
    assert!(!on_paper.is_empty() && on_paper.iter().all(|words| !words.is_empty()));
    assert_eq!(on_page, on_paper);
}

/// Beside the name of each line stands its own amount, on the page and on paper; and each bill as it came is
/// said as in the JSON.
fn same_lines(figures: &Value, facts: &[Fact], forms: [&str; 2]) {
    for fact in of(facts, "reckoning") {
        let line = all(&figures["reckoning"]).find(|line| line["name"] == fact["name"].as_str()).unwrap();
        let row = close(&format!("{}{}", line["label"].as_str().unwrap(), fact["shown"]));
        for form in forms {
            assert!(form.contains(&row), "{row} is not in {form}");
        }
    }
    for bill in all(&figures["actual_bills"]) {
        let words = close(bill["words"].as_str().unwrap());
        assert!(forms.iter().all(|form| form.contains(&words)), "{words} is not in {forms:?}");
    }
}

fn same_reckoning(figures: &Value, facts: &[&Fact]) {
    assert_eq!(facts.len(), all(&figures["reckoning"]).count());
    for fact in facts {
        let line = all(&figures["reckoning"]).find(|line| line["name"] == fact["name"].as_str()).unwrap();
        if line["state"] == "printed" {
            assert_eq!(fact["value"].parse::<f64>().ok(), number(line), "{line}");
            assert_eq!(fact["expanded_uncertainty"].parse().ok(), line["expanded"].as_f64(), "{line}");
        } else {
            assert_eq!(fact["value"], "");
            assert!(["not printed", "ohne Angabe"].contains(&fact["shown"].as_str()), "{fact:?}");
        }
    }
}

/// The values of a section are these, in this order.
fn same(facts: &[&Fact], section: &str, wanted: Vec<f64>) {
    let found: Vec<f64> = facts.iter().map(|fact| fact["value"].parse().unwrap()).collect();
    assert_eq!(found, wanted, "{section}");
}

fn same_series(figures: &Value, facts: &[Fact]) {
    let volumes = |points: Vec<&Value>| -> Vec<f64> {
        let both = points.into_iter().flat_map(|point| [&point["fresh_used_l"], &point["washed_l"]]);
        both.filter_map(Value::as_f64).collect()
    };
    same(&of(facts, "days"), "days", volumes(all(&figures["by_day"]["points"]).collect()));
    same(&of(facts, "months"), "months", volumes(all(&figures["by_month"]).collect()));
    let periods = all(&figures["by_period"]).flat_map(|series| all(&series["points"])).collect();
    same(&of(facts, "periods"), "periods", volumes(periods));
    let flow = &figures["flow"];
    let signed =
        |part: &Value| part["litres"].as_f64().map(|litres| if part["side"] == "in" { litres } else { -litres });
    let rest = flow["residual_l"].as_f64().map(|litres| -litres);
    same(&of(facts, "balance"), "balance", all(&flow["parts"]).filter_map(signed).chain(rest).collect());
}

fn same_money(figures: &Value, facts: &[Fact]) {
    let cycles = all(&figures["savings"]).flat_map(|site| all(&site["saved"]["cycles"]));
    let lines = cycles.flat_map(|cycle| all(&cycle["least"]["lines"]));
    let names = ["with_baseline", "with_actual", "saved", "in_month"];
    let wanted = lines.flat_map(|line| names.map(|name| line[name].as_str().unwrap().parse().unwrap()));
    let bill = of(facts, "bill").into_iter().filter(|fact| !fact["name"].starts_with("sum/")).collect::<Vec<_>>();
    same(&bill, "bill", wanted.collect());
    let costs = all(&figures["costs"]).filter(|cost| all(&cost["lines"]).next().is_some());
    let wanted = costs.flat_map(|cost| all(&cost["lines"]).map(|line| &line["amount"]).chain([&cost["total"]]));
    same(&of(facts, "cost"), "cost", wanted.filter_map(amount).collect());
    let parts = |bill: &Value| -> Vec<f64> {
        let parts = all(&bill["parts"]).map(|part| part["amount"].as_str().unwrap().parse().unwrap());
        amount(&bill["held_against"]).into_iter().chain(parts).chain(amount(&bill["total"])).collect()
    };
    same(&of(facts, "actual_bills"), "actual_bills", all(&figures["actual_bills"]).flat_map(parts).collect());
}

fn same_records(figures: &Value, facts: &[Fact]) {
    let of_unit = |unit: &Value| [number(&unit["fresh_used"]), number(&unit["recycled"]), unit["lost_h"].as_f64()];
    same(&of(facts, "units"), "units", all(&figures["units"]).flat_map(of_unit).flatten().collect());
    let sample =
        |one: &Value| format!("{}{}", one["qualifier"].as_str().unwrap_or_default(), one["value"].as_f64().unwrap());
    let quality: Vec<String> = of(facts, "quality").iter().map(|fact| fact["value"].clone()).collect();
    assert_eq!(quality, all(&figures["upkeep"]["samples"]).map(sample).collect::<Vec<_>>());
    let used = all(&figures["upkeep"]["used"]).map(|one| one["quantity"].as_str().unwrap().parse().unwrap());
    same(&of(facts, "consumables"), "consumables", used.collect());
    same(&of(facts, "adjustments"), "adjustments", all(&figures["adjustments"]).filter_map(number).collect());
    let moved = all(&figures["moved"]).filter_map(|one| one["litres"].as_f64());
    same(&of(facts, "moved"), "moved", moved.collect());
    let loads = |one: &Value| [one["loads_before"].as_f64(), one["loads"].as_f64(), amount(&one["saved"])];
    same(&of(facts, "haulage"), "haulage", all(&figures["haulage"]).flat_map(loads).flatten().collect());
    let spans = all(&figures["readings"]["spans"]).flat_map(|span| all(&span["lines"]));
    let read = of(facts, "readings");
    if !read.is_empty() {
        same(&read, "readings", spans.filter_map(number).collect());
    }
}
