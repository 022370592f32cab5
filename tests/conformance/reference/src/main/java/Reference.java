import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.SingleValidationMessage;
import com.fasterxml.jackson.databind.ObjectMapper;
import com.fasterxml.jackson.databind.node.ArrayNode;
import com.fasterxml.jackson.databind.node.ObjectNode;
import java.io.BufferedReader;
import java.io.InputStream;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.PrePopulatedValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.UnknownCodeSystemWarningValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;
import org.hl7.fhir.r5.utils.validation.constants.BestPracticeWarningLevel;
import org.hl7.fhir.utilities.npm.NpmPackage;
import ca.uhn.fhir.context.support.IValidationSupport.IssueSeverity;

/**
 * HL7's reference validator over many files in one machine: a path a line on standard input, a JSON line of findings
 * for each on standard output. Nothing is fetched: definitions and code systems come from the class path, profiles and
 * value sets from the packages (.tgz) named as arguments. {@code -Dfhir.release=R5} for R5, else R4.
 */
public final class Reference {
  private Reference() {}

  public static void main(String[] args) throws Exception {
    PrintStream out = new PrintStream(System.out, true, StandardCharsets.UTF_8);
    System.setOut(System.err); // libraries that print must not mix into the answers
    FhirValidator validator = validator(args);
    ObjectMapper mapper = new ObjectMapper();
    BufferedReader in = new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8));
    for (String line = in.readLine(); line != null; line = in.readLine()) {
      ObjectNode answer = mapper.createObjectNode();
      answer.put("file", line);
      ArrayNode issues = answer.putArray("issues");
      try {
        String text = Files.readString(Path.of(line));
        for (SingleValidationMessage message : validator.validateWithResult(text).getMessages()) {
          ObjectNode issue = issues.addObject();
          issue.put("severity", message.getSeverity().getCode());
          issue.put("expression", message.getLocationString());
          issue.put("rule", message.getMessageId());
          issue.put("message", message.getMessage());
          if (message.getLocationLine() != null) {
            issue.put("line", message.getLocationLine());
          }
        }
      } catch (Exception | Error error) {
        ObjectNode issue = issues.addObject();
        issue.put("severity", "fatal");
        issue.put("expression", "");
        issue.put("rule", "unreadable");
        issue.put("message", error.getClass().getSimpleName() + ": " + error.getMessage());
      }
      out.println(mapper.writeValueAsString(answer));
    }
  }

  private static PrePopulatedValidationSupport given(FhirContext context, String[] packages) throws Exception {
    PrePopulatedValidationSupport given = new PrePopulatedValidationSupport(context);
    for (String name : packages) {
      try (InputStream stream = Files.newInputStream(Path.of(name))) {
        NpmPackage npm = NpmPackage.fromPackage(stream);
        for (String file : npm.listResources("StructureDefinition", "ValueSet", "CodeSystem")) {
          given.addResource(context.newJsonParser().parseResource(npm.load("package", file)));
        }
      }
    }
    return given;
  }

  private static FhirValidator validator(String[] packages) throws Exception {
    FhirContext context = "R5".equals(System.getProperty("fhir.release")) ? FhirContext.forR5() : FhirContext.forR4();
    UnknownCodeSystemWarningValidationSupport unknown = new UnknownCodeSystemWarningValidationSupport(context);
    unknown.setNonExistentCodeSystemSeverity(IssueSeverity.INFORMATION);
    FhirInstanceValidator instance =
        new FhirInstanceValidator(
            new ValidationSupportChain(
                new DefaultProfileValidationSupport(context),
                given(context, packages),
                new CommonCodeSystemsTerminologyService(context),
                new InMemoryTerminologyServerValidationSupport(context),
                unknown));
    instance.setAnyExtensionsAllowed(true);
    instance.setErrorForUnknownProfiles(false);
    instance.setBestPracticeWarningLevel(BestPracticeWarningLevel.Ignore);
    return context.newValidator().registerValidatorModule(instance);
  }
}
