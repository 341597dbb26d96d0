//! Files by their content: kinds, sizes, reach.

use crate::support::{Answer, Client, TestApp};
use reqwest::Method;
use serde_json::json;

async fn send(client: &Client, media: &str, bytes: &[u8]) -> Answer {
    let request = client.request(Method::POST, "/v1/files").header("content-type", media);
    client.send(request.body(bytes.to_vec())).await
}

/// Sends a file and gives its hash.
pub(crate) async fn sent(client: &Client, bytes: &[u8]) -> String {
    let made = send(client, "application/octet-stream", bytes).await;
    assert_eq!(made.status(), 201, "{made:?}");
    made.json()["sha256"].as_str().unwrap().to_owned()
}

#[tokio::test]
async fn a_file_is_what_its_bytes_say_and_comes_back_as_an_attachment() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let pdf = b"%PDF-1.7\n1 0 obj\n";
    // The sender's word for it counts for nothing.
    let made = send(&dealer.technician, "text/html", pdf).await;
    assert_eq!((made.status(), &made.json()["media_type"]), (201, &json!("application/pdf")));
    let again = send(&dealer.office, "application/pdf", pdf).await.json();
    assert_eq!(again["sha256"], made.json()["sha256"]);
    // FIPS 180-4 by another implementation: `printf '%%PDF-1.7\n1 0 obj\n' | sha256sum`.
    let hash = "f5117edb193052414d3b7496857953fd5c40d289c84ce675aa0bd361d40ffd76";
    assert_eq!(again["sha256"], hash);
    let path = format!("/v1/files/{hash}");
    let got = dealer.office.get(&path).await;
    assert_eq!((got.status(), got.bytes(), got.header("content-type")), (200, &pdf[..], "application/pdf"));
    let name = format!("attachment; filename=\"{}.pdf\"", &hash[..12]);
    assert_eq!(got.header("content-disposition"), name);
    assert_eq!(got.header("content-security-policy"), "sandbox; default-src 'none'");
    for path in ["/v1/files/00", "/v1/files/zz", &format!("/v1/files/{}", "0".repeat(64))] {
        dealer.office.get(path).await.refused(404, "not-found");
    }
    app.dealer("Elsewhere").await.office.get(&path).await.refused(404, "not-found");
    app.anyone().get(&path).await.refused(401, "not-signed-in");
}

#[tokio::test]
async fn other_kinds_and_large_files_are_refused() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    for other in [&b"<svg xmlns='http://www.w3.org/2000/svg'/>"[..], b"<!doctype html><script>", b"GIF89a", b"MZ\x90"] {
        send(&dealer.office, "image/png", other).await.refused_for(415, &[("", "unknown_kind")]);
    }
    send(&dealer.office, "image/png", b"").await.refused_for(422, &[("", "empty")]);
    let mut large = b"\x89PNG\r\n\x1a\n".to_vec();
    large.resize(8 << 20, 0);
    assert_eq!(send(&dealer.office, "image/png", &large).await.status(), 201, "just 8 MiB");
    large.push(0);
    send(&dealer.office, "image/png", &large).await.refused(413, "too-large");
}

#[tokio::test]
async fn a_customers_files_are_its_own_and_the_dealers() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (own, other) = (dealer.customer("Own").await, dealer.customer("Other").await);
    let reader = dealer.customer_reader(own).await;
    let photo = b"\xff\xd8\xff\xe0 a photo";
    let made = send(&reader, "image/jpeg", photo).await;
    assert_eq!(made.status(), 201, "{made:?}");
    let path = format!("/v1/files/{}", made.json()["sha256"].as_str().unwrap());
    for client in [&reader, &dealer.customer_viewer(own).await, &dealer.technician] {
        assert_eq!(client.get(&path).await.bytes(), photo);
    }
    dealer.customer_viewer(other).await.get(&path).await.refused(404, "not-found");
    // The other's people may send the same photo, and learn nothing by it.
    let again = send(&dealer.customer_reader(other).await, "image/jpeg", photo).await;
    assert_eq!(again.status(), 201, "{again:?}");
    let viewer = dealer.customer_viewer(dealer.customer("Third").await).await;
    send(&viewer, "image/jpeg", photo).await.refused(403, "not-allowed");
    let dealers = send(&dealer.office, "image/jpeg", b"\xff\xd8\xff\xe0 of the dealer").await.json();
    let path = format!("/v1/files/{}", dealers["sha256"].as_str().unwrap());
    reader.get(&path).await.refused(404, "not-found");
    dealer
        .office
        .get("/v1/files?record=secret&record_id=00000000-0000-0000-0000-000000000000")
        .await
        .refused(422, "invalid");
}

/// Two customers send the same sheet: it is kept once, and each has it.
#[tokio::test]
async fn who_sends_what_another_customer_sent_sees_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (first, second) = (dealer.customer("Harbour Haulage").await, dealer.customer("Quay Cranes").await);
    let third = dealer.customer("Pier Ferries").await;
    let (first, second) = (dealer.customer_reader(first).await, dealer.customer_reader(second).await);
    let pdf = b"%PDF-1.7\n% the same for everybody\n";
    let path = format!("/v1/files/{}", sent(&first, pdf).await);
    second.get(&path).await.refused(404, "not-found");
    for _again in 0..2 {
        assert_eq!(path, format!("/v1/files/{}", sent(&second, pdf).await));
    }
    for client in [&first, &second, &dealer.office] {
        assert_eq!(client.get(&path).await.bytes(), pdf);
    }
    dealer.customer_reader(third).await.get(&path).await.refused(404, "not-found");
}
