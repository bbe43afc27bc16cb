import java.io.FileInputStream;
import java.io.InputStream;
import java.util.List;
import java.util.TreeMap;
import java.util.logging.Level;
import java.util.logging.Logger;
import org.verapdf.gf.foundry.VeraGreenfieldFoundryProvider;
import org.verapdf.pdfa.Foundries;
import org.verapdf.pdfa.PDFAParser;
import org.verapdf.pdfa.PDFAValidator;
import org.verapdf.pdfa.flavours.PDFAFlavour;
import org.verapdf.pdfa.results.TestAssertion;
import org.verapdf.pdfa.results.ValidationResult;

/**
 * veraPDF over the PDF files that are named: each as PDF/A-3a and as PDF/UA-1. Writes a line for each: file, flavour,
 * how much was tested; and one for each rule that fails: file, flavour, clause, how often, what it says; separated by
 * tabs. At the end "judged" and how many files.
 */
public class Paper {
  public static void main(String[] files) throws Exception {
    Logger.getLogger("org.verapdf").setLevel(Level.OFF);
    VeraGreenfieldFoundryProvider.initialise();
    for (String file : files) {
      for (PDFAFlavour flavour : List.of(PDFAFlavour.PDFA_3_A, PDFAFlavour.PDFUA_1)) {
        try (InputStream content = new FileInputStream(file);
            PDFAParser parser = Foundries.defaultInstance().createParser(content, flavour);
            PDFAValidator validator = Foundries.defaultInstance().createValidator(flavour, false)) {
          ValidationResult result = validator.validate(parser);
          System.out.println("tested\t" + file + "\t" + flavour + "\t" + result.getTotalAssertions());
          TreeMap<String, Integer> failed = new TreeMap<>();
          for (TestAssertion one : result.getTestAssertions()) {
            if (one.getStatus() == TestAssertion.Status.FAILED) {
              String rule = one.getRuleId().getClause() + "\t" + one.getMessage().replaceAll("\\s+", " ");
              failed.merge(rule, 1, Integer::sum);
            }
          }
          failed.forEach((rule, often) -> System.out.println("failed\t" + file + "\t" + flavour + "\t" + often + "\t" + rule));
          if (!result.isCompliant() && failed.isEmpty()) {
            System.out.println("failed\t" + file + "\t" + flavour + "\t1\t\tnot compliant");
          }
        }
      }
    }
    System.out.println("judged\t" + files.length);
  }
}
