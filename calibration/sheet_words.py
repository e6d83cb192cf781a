"""The words on the printed sheet: whole sentences, broken into lines where they are drawn."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SheetWords:
    """What is written on the sheet, in one language."""

    title: str
    bar: str
    print_heading: str
    print_steps: str
    card_note: str
    child_heading: str
    child_steps: str
    instrument_heading: str
    instrument_steps: str


WORDS = {
    "en": SheetWords(
        title="Scrollreach",
        bar="{length} mm",
        print_heading="1  Print",
        print_steps="At 100%, in black, on flat paper. Lay a ruler along the bar above: it must be {length} mm long. "
        "If it is not, tell us how long it is.",
        card_note="If you like: a blank plastic card laid in the middle of this frame makes it more exact. Never a "
        "bank card or identity card.",
        child_heading="2  The child",
        child_steps="This sheet flat on the wall, a little above the shoulder. Back and back of the hand on the wall, "
        "arm straight out, palm to the camera. Camera 1.5 to 2.5 m away.",
        instrument_heading="3  The instrument",
        instrument_steps="Instrument on its back, this sheet flat beside it, both wholly in the picture. Camera "
        "straight above.",
    ),
    "de": SheetWords(
        title="Scrollreach",
        bar="{length} mm",
        print_heading="1  Drucken",
        print_steps="Mit 100 %, schwarz, auf glattes Papier. Ein Lineal an den Balken oben legen: Er muss {length} mm "
        "lang sein. Wenn nicht, uns sagen, wie lang er ist.",
        card_note="Wer mag: Eine leere Plastikkarte mitten in diesem Rahmen macht es genauer. Nie eine Bank- oder "
        "Ausweiskarte.",
        child_heading="2  Das Kind",
        child_steps="Dieses Blatt flach an die Wand, etwas über der Schulter. Rücken und Handrücken an der Wand, Arm "
        "gerade zur Seite, Handfläche zur Kamera. Kamera 1,5 bis 2,5 m entfernt.",
        instrument_heading="3  Das Instrument",
        instrument_steps="Instrument auf dem Rücken, dieses Blatt flach daneben, beide ganz im Bild. Kamera senkrecht "
        "darüber.",
    ),
    "fr": SheetWords(
        title="Scrollreach",
        bar="{length} mm",
        print_heading="1  Imprimer",
        print_steps="À 100 %, en noir, sur papier plat. Posez une règle le long de la barre "
        "ci-dessus : elle doit mesurer {length} mm. Sinon, dites-nous combien.",
        card_note="Si vous voulez : une carte en plastique sans inscription, posée au milieu de ce "
        "cadre, rend la mesure plus exacte. Jamais une carte bancaire ou d'identité.",
        child_heading="2  L'enfant",
        child_steps="Cette feuille à plat au mur, un peu au-dessus de l'épaule. Dos et dos de la "
        "main au mur, bras tendu sur le côté, paume vers l'appareil. Appareil à une "
        "distance de 1,5 à 2,5 m.",
        instrument_heading="3  L'instrument",
        instrument_steps="L'instrument sur le dos, cette feuille à plat à côté, tous deux entièrement "
        "dans l'image. Appareil photo exactement au-dessus.",
    ),
    "es": SheetWords(
        title="Scrollreach",
        bar="{length} mm",
        print_heading="1  Imprimir",
        print_steps="Al 100 %, en negro, en papel plano. Ponga una regla a lo largo de la barra de "
        "arriba: debe medir {length} mm. Si no, díganos cuánto mide.",
        card_note="Si quiere: una tarjeta de plástico en blanco en medio de este marco lo hace más "
        "exacto. Nunca una tarjeta bancaria o de identidad.",
        child_heading="2  El niño",
        child_steps="Esta hoja plana en la pared, un poco por encima del hombro. Espalda y dorso de "
        "la mano en la pared, brazo recto hacia el lado, palma hacia la cámara. Cámara a una "
        "distancia de 1,5 a 2,5 m.",
        instrument_heading="3  El instrumento",
        instrument_steps="El instrumento boca arriba, esta hoja plana a su lado, ambos enteros en la "
        "imagen. Cámara justo encima.",
    ),
    "it": SheetWords(
        title="Scrollreach",
        bar="{length} mm",
        print_heading="1  Stampare",
        print_steps="Al 100%, in nero, su carta piatta. Posate un righello lungo la barra qui "
        "sopra: deve essere lunga {length} mm. Se non lo è, diteci quanto.",
        card_note="Se volete: una tessera di plastica bianca in mezzo a questa cornice lo rende "
        "più esatto. Mai una carta bancaria o d'identità.",
        child_heading="2  Il bambino",
        child_steps="Questo foglio piatto sulla parete, un po' sopra la spalla. Schiena e dorso "
        "della mano alla parete, braccio teso di lato, palmo verso la fotocamera, a 1,5–2,5 m.",
        instrument_heading="3  Lo strumento",
        instrument_steps="Lo strumento sul fondo, questo foglio piatto accanto, entrambi interi "
        "nell'immagine. Fotocamera proprio sopra.",
    ),
    "nl": SheetWords(
        title="Scrollreach",
        bar="{length} mm",
        print_heading="1  Printen",
        print_steps="Op 100%, in zwart, op vlak papier. Leg een liniaal langs de balk hierboven: "
        "hij moet {length} mm lang zijn. Zo niet, laat ons weten hoe lang hij is.",
        card_note="Als u wilt: een blanco plastic kaart midden in dit kader maakt het "
        "nauwkeuriger. Nooit een bankpas of identiteitskaart.",
        child_heading="2  Het kind",
        child_steps="Dit blad plat tegen de muur, iets boven de schouder. Rug en handrug tegen de "
        "muur, arm recht opzij, handpalm naar de camera. Camera op 1,5 tot 2,5 m.",
        instrument_heading="3  Het instrument",
        instrument_steps="Instrument op zijn rug, dit blad plat ernaast, beide helemaal in beeld. Camera "
        "er recht boven.",
    ),
    "pl": SheetWords(
        title="Scrollreach",
        bar="{length} mm",
        print_heading="1  Wydruk",
        print_steps="W skali 100%, na czarno, na płaskim papierze. Proszę przyłożyć linijkę do paska "
        "powyżej: musi mieć {length} mm. Jeśli nie, proszę podać, ile ma.",
        card_note="Opcjonalnie: czysta plastikowa karta pośrodku tej ramki zwiększa dokładność. Nigdy "
        "karta bankowa ani dowód osobisty.",
        child_heading="2  Dziecko",
        child_steps="Ten arkusz płasko na ścianie, nieco powyżej barku. Plecy i grzbiet dłoni "
        "przy ścianie, ręka prosto w bok, wnętrze dłoni do aparatu. Aparat w odległości 1,5–2,5 m.",
        instrument_heading="3  Instrument",
        instrument_steps="Instrument położony na spodzie, strunami do góry, ten arkusz płasko obok, oba w całości "
        "na zdjęciu. Aparat prosto nad nimi.",
    ),
    "ja": SheetWords(
        title="Scrollreach",
        bar="{length} mm",
        print_heading="1  印刷",
        print_steps="100% の大きさで、黒で、平らな紙に。上の棒に定規を当てます。{length}"
        " mm のはずです。違うときは長さを教えてください。",
        card_note="よろしければ、この枠の中央に無地のプラスチックカードを置くと、"
        "より正確になります。銀行カードや身分証は使わないでください。",
        child_heading="2  お子さん",
        child_steps="この用紙を肩より少し高い壁に平らに貼ります。背中と手の甲を壁に、腕をまっすぐ"
        "横に、手のひらをカメラに。カメラは 1.5 から 2.5 m 離します。",
        instrument_heading="3  楽器",
        instrument_steps="楽器は裏板を下に、この用紙を横に平らに、どちらも全体が写るように。カメラは真上から。",
    ),
    "zh": SheetWords(
        title="Scrollreach",
        bar="{length} mm",
        print_heading="1  打印",
        print_steps="按 100% 大小、黑色、打印在平整的纸上。把尺子放在上面的长"
        "条旁：应为 {length} mm。若不是，请告诉我们有多长。",
        card_note="可选：在此框中央放一张空白塑料卡会更准确。切勿使用银行卡或身份证。",
        child_heading="2  孩子",
        child_steps="此纸平贴在墙上，略高于肩部。背部和手背贴墙，手臂向侧面伸直，手掌朝向相机。相机距离 1.5 到 2.5 m。",
        instrument_heading="3  乐器",
        instrument_steps="乐器背板朝下，此纸平放在旁边，两者都完整入画。相机在正上方。",
    ),
    "ar": SheetWords(
        title="Scrollreach",
        bar="{length} مم",
        print_heading="1  الطباعة",
        print_steps="بنسبة 100%، بالأسود، على ورق مستو. ضعوا مسطرة على الشريط أعلاه: يجب أن يكون "
        "طوله {length} مم. وإلا فأخبرونا بطوله.",
        card_note="إن شئتم: بطاقة بلاستيكية بيضاء في وسط هذا الإطار تزيد الدقة. لا تستعملوا أبدًا "
        "بطاقة مصرفية أو بطاقة هوية.",
        child_heading="2  الطفل",
        child_steps="هذه الورقة مستوية على الجدار، أعلى قليلًا من الكتف. الظهر وظهر اليد على الجدار، "
        "والذراع ممدودة إلى الجانب، وراحة اليد نحو الكاميرا. الكاميرا على بعد يتراوح بين 1.5 و2.5 متر.",
        instrument_heading="3  الآلة",
        instrument_steps="الآلة على ظهرها، وهذه الورقة مستوية بجانبها، وكلتاهما كاملتان في الصورة. "
        "الكاميرا فوقهما مباشرة.",
    ),
}
"""Words by language code."""
